"""What a row of the goals table is, and how its parts are run over the cores.

A part is named by a text, which is all that it takes to run it again; a violation names the smallest part that shows
it.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial

STOPPED = "stopped early"


@dataclass
class Outcome:
    """What came of some parts. `tried` counts cases; a violation is (part, text); `notes` are said once each, `counts`
    and `cells` (row, column) are summed."""

    tried: int = 0
    violations: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    cells: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, other: Outcome) -> None:
        self.tried += other.tried
        self.violations += other.violations
        self.notes += [note for note in other.notes if note not in self.notes]
        self.counts += other.counts
        self.cells += other.cells

    def violated(self, part: str, error: BaseException | str) -> None:
        text = error if isinstance(error, str) else f"{type(error).__name__}: {error}"
        self.violations.append((part, text))


@dataclass(frozen=True)
class Row:
    """A row of the table: `goal` cases. `parts` gives those that together try about so many cases, `run` runs one.
    `judge` looks at the sum, and may add violations; `show` gives a table of its own."""

    number: int
    what: str
    goal: int
    parts: Callable[[int], Iterable[str]]
    run: Callable[[str], Outcome]
    judge: Callable[[Outcome], None] | None = None
    show: Callable[[Outcome], str] | None = None


@dataclass
class Measured:
    row: Row
    outcome: Outcome
    time_s: float


def measure(row: Row, cases: int, workers: int = 1, stop_after: int = 20) -> Measured:
    """Try about so many cases of a row. Stops after so many violations."""
    began = time.perf_counter()
    outcome = Outcome()
    parts = list(row.parts(cases))
    run = partial(_run_part, row.run)
    if workers == 1:
        _collect(outcome, map(run, parts), stop_after)
    else:
        with ProcessPoolExecutor(workers) as pool:
            _collect(outcome, pool.map(run, parts), stop_after)
            pool.shutdown(cancel_futures=True)
    if row.judge is not None:
        row.judge(outcome)
    return Measured(row, outcome, time.perf_counter() - began)


def _run_part(run: Callable[[str], Outcome], part: str) -> Outcome:
    """A part that ends with an error is a violation of its own: it spoils no other."""
    try:
        return run(part)
    except Exception as error:
        outcome = Outcome()
        outcome.violated(part, error)
        return outcome


def _collect(outcome: Outcome, found: Iterable[Outcome], stop_after: int) -> None:
    for one in found:
        outcome.add(one)
        if len(outcome.violations) >= stop_after:
            outcome.notes.append(STOPPED)
            return


def attempt(outcome: Outcome, part: str, judge: Callable[[], str]) -> None:
    """Judge one case; its answer is counted, an error is a violation."""
    outcome.tried += 1
    try:
        outcome.counts[judge()] += 1
    except Exception as error:
        outcome.violated(part, error)


def shares(cases: int, size: int) -> list[int]:
    """So many cases in portions of `size`, the last one smaller."""
    whole, rest = divmod(cases, size)
    return [size] * whole + [rest] * (rest > 0)
