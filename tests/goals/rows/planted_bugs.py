"""Row 15: bugs that are planted on purpose; the test that is there for each has to notice it."""

from __future__ import annotations

from collections.abc import Iterator

from tests.goals.table import Outcome, Row
from tests.mutation.forked_tests import run as run_jobs
from tests.mutation.test_planted_bugs import BUGS, UNCHANGED, jobs

BUGS_PER_PART = 8


def parts(cases: int) -> Iterator[str]:
    """All of them when so many cases are asked for, and at least one."""
    count = len(BUGS) if cases >= GOAL else cases
    yield from (f"bugs {start} to {min(start + BUGS_PER_PART, count)}" for start in range(0, count, BUGS_PER_PART))


def run(part: str) -> Outcome:
    _, first, _, end = part.split()
    bugs = BUGS[int(first) : int(end)]
    outcome = Outcome(len(bugs))
    found = {one.name: one for one in run_jobs(jobs(bugs), workers=1)}
    if found[UNCHANGED].status != "passed":
        outcome.violated(part, f"without any bug: {', '.join(found[UNCHANGED].failed)}")
    for number, bug in enumerate(bugs, int(first)):
        status = found[bug.name].status if bug.name in found else "not planted: its text has changed"
        if status != "failed":
            outcome.violated(f"bugs {number} to {number + 1}", f"{bug.name}: {status}")
        outcome.counts["caught"] += status == "failed"
    return outcome


GOAL = 30
ROWS = [Row(15, "planted bugs, each caught by the test that is there for it", GOAL, parts, run)]
