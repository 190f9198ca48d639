"""Row 11: the chip reports an error at a read, a program or an erase, once or for ever, in the work and in a
recovery.

The promise: a caller sees an OSError or nothing; nothing acknowledged is lost or wrong, and all is readable later.
What a refused call may leave, and what can be true after it, is told by `goals_truth`. The run goes on with the next
call.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import islice
from math import ceil

from simfs import Store
from simfs.flash.fault_data import Cut, Faults
from simfs.flash.interrupted import Profile
from simfs.flash.plan import Plan
from simfs.study.cuts.judging.states import Chip, every_operation
from simfs.study.cuts.notes.cut_point import CutPoint
from tests.goals.lives import KINDS, Broken, Counter, Start, live, read_all, sizes, start
from tests.goals.rows.cuts import history_of
from tests.goals.scenarios import SCENARIOS
from tests.goals.table import Outcome, Row
from tests.goals.truth import Contents

HOW_OFTEN = ("once", "block", "ever")  # block: from then on whatever touches the block that it happened in
CUT_EVERY = 97  # cuts, for the recoveries


def judge_afterwards(at: Start, image: bytes, allowed: list[Contents], plan: Plan | None) -> None:
    """With the errors gone all is there, as it was acknowledged, and the store works. With errors of programs and
    erases that stay, all can be read."""
    left = read_all(Store.mount(at.flash(image), read_only=True))
    if left not in allowed:
        raise Broken(f"on the flash are {sizes(left)}, not any of {[sizes(one) for one in allowed][:3]}")
    if plan is not None:
        shown = read_all(Store.mount(at.flash(image, plan), read_only=True))
        if shown != left:
            raise Broken(f"with the error {sizes(shown)}, without it {sizes(left)}")
    store = Store.mount(at.flash(image))
    if read_all(store) != left:
        raise Broken(f"mounted to write {sizes(read_all(store))}, read only {sizes(left)}")
    if problems := store.check():
        raise Broken(f"check: {problems}")
    go_on(store, left)


def go_on(store: Store, left: Contents) -> None:
    try:
        with store.open("after", "w") as file:
            file.write(b"it goes on" * 9)
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EROFS):
            raise
        if read_all(store).items() < left.items():
            raise Broken(f"refused with {error}, and lost something") from error
        return
    with store.open("after") as file:
        if file.readall() != b"it goes on" * 9:
            raise Broken("what was written afterwards reads otherwise")


# The work


def work_cases(kind: str) -> Iterator[str]:
    for name in SCENARIOS:
        for number in range(len(start(name).operations.blocks[kind])):
            for how_often in HOW_OFTEN:
                yield f"{name}; {kind} {number} {how_often}"


def plan_of(operations: Counter, error: str) -> tuple[Plan, bool]:
    """The plan of an error, "erase 3 block" or, with a power cut in a change after it, "erase 3 block, cut 70 bytes
    9"; and whether the error stays and lets all be read."""
    what, _, cut = error.partition(", cut ")
    kind, number, how_often = what.split()
    errors = operations.errors(kind, int(number), how_often)
    at, _, leaves = cut.partition(" ")
    cuts = (Cut(int(at), leaves),) if cut else ()
    return Plan(Faults(seed=int(number), errors=errors, cuts=cuts)), how_often != "once" and kind != "read"


def judge_work(name: str, error: str) -> None:
    at = start(name)
    plan, stays = plan_of(at.operations, error)
    flash = at.flash(plan=plan)
    possible = live(at, flash)
    judge_afterwards(at, flash.image(), possible.durable(), plan if stays else None)


# The recovery


@dataclass
class Before:
    """What a cut left, what may be durable, and what a mount does about it."""

    image: bytes
    allowed: list[Contents]
    operations: Counter


@lru_cache(50)
def before(name: str, cut: CutPoint) -> Before:
    """The scenario's power goes there."""
    history = history_of(name)
    chip = Chip.holding(history.image, history.geometry, history.erase_counts)
    chip.apply_all(one.change for one in history.operations[: cut.operation])
    chip.cut(history.operations[cut.operation].change, cut, Profile.PROGRAM)
    first, last = history.allowed(cut.operation)
    image, noted = bytes(chip.cells), Counter()
    Store.mount(start(name).flash(image, noted))
    return Before(image, [history.contents_after(event) for event in range(first, last + 1)], noted)


def recovery_parts() -> Iterator[str]:
    """From every so manieth of the cuts that there are in each scenario; once more from those after them, and so on."""
    for first in range(CUT_EVERY):
        for name in SCENARIOS:
            for cut in islice(every_operation(history_of(name)), first, None, CUT_EVERY):
                yield f"{name}; recovery from {cut}"


def recovery_cases(name: str, cut: CutPoint) -> Iterator[str]:
    blocks = before(name, cut).operations.blocks
    for kind in KINDS:
        for number in range(len(blocks[kind])):
            for how_often in HOW_OFTEN:
                yield f"{kind} {number} {how_often}"


def judge_recovery(name: str, cut: CutPoint, error: str) -> None:
    at, left = start(name), before(name, cut)
    plan, stays = plan_of(left.operations, error)
    flash = at.flash(left.image, plan)
    allowed = left.allowed
    try:
        found = read_all(Store.mount(flash))
    except OSError:
        pass
    else:
        if found not in allowed:
            raise Broken(f"the mount shows {sizes(found)}, not any of {[sizes(one) for one in allowed][:3]}")
        allowed = [found]
    judge_afterwards(at, flash.image(), allowed, plan if stays else None)


# The row

SHARES = {"program": 0.3, "erase": 0.1, "read": 0.1}
RECOVERY_CASES = 40  # in one recovery, about


def parts(cases: int) -> Iterable[str]:
    """Half of the cases in the work, most of them programs, spread evenly over all that there are; the others in
    recoveries."""
    for kind, share in SHARES.items():
        work = list(work_cases(kind))
        count = min(len(work), ceil(cases * share))
        yield from (work[number * len(work) // count] for number in range(count))
    yield from islice(recovery_parts(), ceil(cases / 2 / RECOVERY_CASES))


def run(part: str) -> Outcome:
    name, *what = part.split("; ")
    outcome = Outcome()
    if not what[0].startswith("recovery"):
        attempt(outcome, part, lambda: judge_work(name, what[0]))
        outcome.counts[f"{what[0].split()[0]}s"] += 1
        return outcome
    cut = CutPoint.parse(what[0].split()[-1])
    for error in what[1:] or recovery_cases(name, cut):
        attempt(outcome, f"{name}; {what[0]}; {error}", partial(judge_recovery, name, cut, error))
    outcome.counts["in recoveries"] = outcome.tried
    return outcome


def attempt(outcome: Outcome, part: str, judge: Callable[[], None]) -> None:
    outcome.tried += 1
    try:
        judge()
    except Exception as error:
        outcome.violated(part, error)


ROWS = [Row(11, "an error at a read, program or erase, once or for ever, also in recovery", 11_000, parts, run)]
