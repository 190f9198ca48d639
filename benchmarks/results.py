"""The results file: what the benchmarks measured, on which machine, when, and of which commit."""

from __future__ import annotations

import os
import platform
import subprocess
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from tabulate import tabulate

from benchmarks.measure import Figure

RESULTS = Path(__file__).parent / "results.md"
ROOT = Path(__file__).parent.parent


def results_text(measured: Iterable[tuple[str, Figure]], load_before: float, load_after: float) -> str:
    """The whole file. `measured` has the benchmark of each figure; loads are the average number of processes that
    wanted a core in the minute before the first benchmark and before the end of the last."""
    rows = [
        (name, figure.name, f"{figure.value:.2f} {figure.unit}", _goal(figure), figure.verdict, figure.detail)
        for name, figure in measured
    ]
    headings = ("benchmark", "figure", "measured", "goal", "", "in detail")
    table = tabulate(rows, headings, tablefmt="github", disable_numparse=True, colalign=("left",) * 2 + ("right",) * 2)
    reached = sum(row[4] == "reached" for row in rows)
    missed = sum(row[4] == "MISSED" for row in rows)
    return f"""# What the benchmarks measured

Written by `python -m benchmarks --results`; `python -m benchmarks` prints the same and writes nothing. Each ratio is of
two actions that took turns within one run; absolute times hold for this machine only.

{reached} goals reached, {missed} missed, {len(rows) - reached - missed} figures without a goal.

{_machine(load_before, load_after)}

{table}
"""


def load() -> float:
    """Processes that wanted a core, averaged over the last minute; 0 where the system does not tell."""
    return os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0


def _goal(figure: Figure) -> str:
    return "-" if figure.goal is None else f"at most {figure.goal:g}"


def _machine(load_before: float, load_after: float) -> str:
    rows = [
        ("date", f"{datetime.now(UTC):%Y-%m-%d}"),
        ("commit", _commit()),
        ("processor", f"{_cpu_model()}, {os.cpu_count()} cores"),
        ("memory", f"{os.sysconf('SC_PAGE_SIZE') * os.sysconf('SC_PHYS_PAGES') / (1 << 30):.0f} GiB"),
        ("kernel", f"{platform.system()} {platform.release().partition('-')[0]}"),
        ("Python", f"{platform.python_implementation()} {platform.python_version()}, {platform.python_compiler()}"),
        ("load", f"{load_before:.1f} when it began, {load_after:.1f} at the end; quiet is below 1"),
    ]
    return tabulate(rows, ("", ""), tablefmt="github", disable_numparse=True)


def _cpu_model() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        lines = []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or platform.machine()


def _commit() -> str:
    """The commit that was measured, and whether files were changed since."""
    commit = _git("rev-parse", "--short=12", "HEAD")
    changed = bool(_git("status", "--porcelain", "--untracked-files=no", "simfs", "benchmarks/*.py"))
    return f"{commit or 'unknown'}{', with changes' if changed else ''}"


def _git(*words: str) -> str:
    done = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    return done.stdout.strip()
