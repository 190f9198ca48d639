"""Speed and memory against their goals: `python -m benchmarks` runs them all, each ratio taken within one run."""
