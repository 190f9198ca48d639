"""What the benchmarks share: figures with their goals, and ratios of two actions repeated in turn."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from statistics import median
from time import process_time


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured value. `goal` is the most that it should be; None: nothing is promised yet."""

    name: str
    value: float
    unit: str
    goal: float | None
    detail: str = ""

    @property
    def verdict(self) -> str:
        if self.goal is None:
            return "no goal"
        return "reached" if self.value <= self.goal else "MISSED"

    def __str__(self) -> str:
        goal = "-" if self.goal is None else f"<= {self.goal:g}"
        return f"{self.name:<52} {self.value:8.2f} {self.unit:<4} {goal:>8}  {self.verdict:<8} {self.detail}"


@contextmanager
def collector_paused() -> Iterator[None]:
    """Without the garbage collector, as `timeit` does it: its rounds would fall on one side or the other by chance."""
    was_on = gc.isenabled()
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def seconds_in_turn(
    rounds: int, *actions: Callable[[], object], clock: Callable[[], float] = process_time
) -> list[list[float]]:
    """The seconds that each action took in each round. The actions alternate, and so does which goes first, so that a
    load on the machine falls on all of them alike; the clock is this process's own, user and system time, so that the
    time given to other processes does not count."""
    taken: list[list[float]] = [[] for _ in actions]
    numbered = list(enumerate(actions))
    with collector_paused():
        for turn in range(rounds):
            for number, action in numbered if turn % 2 == 0 else reversed(numbered):
                began = clock()
                action()
                taken[number].append(clock() - began)
    return taken


def ratio(
    name: str, goal: float | None, ours: list[float], theirs: list[float], *, operations: int = 1, unit: str = "us"
) -> Figure:
    """How much longer ours took than theirs, by the medians of their rounds in seconds; in the detail by the minima as
    well. `operations` is how many of them one round did."""
    per_unit = {"us": 1e6, "ms": 1e3}[unit] / operations
    detail = (
        f"{median(ours) * per_unit:.2f} against {median(theirs) * per_unit:.2f} {unit}; "
        f"of the minima {min(ours) / min(theirs):.2f}"
    )
    return Figure(name, median(ours) / median(theirs), "x", goal, detail)
