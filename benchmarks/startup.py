"""How long a program waits before its first line that does something: a fresh process each time."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from statistics import median
from tempfile import TemporaryDirectory

from benchmarks.measure import Figure, seconds_in_turn

NAMES = ("`import simfs` beyond bare Python", "`simfs --help`, the whole process")


def run(small: bool) -> Iterator[Figure]:
    """Medians of processes that take turns, their user and system time. All is compiled beforehand, as it is from the
    second time on that a user runs it."""
    with TemporaryDirectory(prefix="simfs-") as compiled:
        processes = [
            _process(compiled, *arguments)
            for arguments in (("-c", "pass"), ("-c", "import simfs"), ("-m", "simfs", "--help"))
        ]
        for process in processes:
            process()
        bare, imported, helped = seconds_in_turn(2 if small else 15, *processes, clock=_children_seconds)
    bare_ms, imported_ms, helped_ms = (1e3 * median(taken) for taken in (bare, imported, helped))
    yield Figure(NAMES[0], imported_ms - bare_ms, "ms", 60, f"bare Python {bare_ms:.1f} ms")
    yield Figure(NAMES[1], helped_ms, "ms", 150, f"least {1e3 * min(helped):.1f} ms")


def _process(compiled: str, *arguments: str) -> Callable[[], object]:
    """Runs Python, which keeps what it compiles in a folder of the benchmark's own."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = compiled
    command = [sys.executable, *arguments]
    return lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)


def _children_seconds() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
