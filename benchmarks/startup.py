"""How long a program waits before its first line that does something: a fresh process each time."""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from statistics import median

from benchmarks.measure import Figure, seconds_in_turn

NAMES = ("`import simfs` beyond bare Python", "`simfs --help`, the whole process")


def run(small: bool) -> Iterator[Figure]:
    """Medians of processes that take turns, their user and system time."""
    bare, imported, helped = seconds_in_turn(
        2 if small else 15,
        _process("-c", "pass"),
        _process("-c", "import simfs"),
        _process("-m", "simfs", "--help"),
        clock=_children_seconds,
    )
    bare_ms, imported_ms, helped_ms = (1e3 * median(taken) for taken in (bare, imported, helped))
    yield Figure(NAMES[0], imported_ms - bare_ms, "ms", 60, f"bare Python {bare_ms:.1f} ms")
    yield Figure(NAMES[1], helped_ms, "ms", 150, f"least {1e3 * min(helped):.1f} ms")


def _process(*arguments: str) -> Callable[[], object]:
    command = [sys.executable, *arguments]
    return lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def _children_seconds() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
