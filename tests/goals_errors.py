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
from functools import cache, lru_cache, partial
from itertools import islice
from math import ceil
from typing import Any

from goals_cuts import history_of
from goals_scenarios import NEED_A_HAND, SCENARIOS, Call, Scenario, do
from goals_table import Outcome, Row
from goals_truth import Contents, Possible, Truth

from simfs import NorFlash, PowerCut, Store
from simfs.flash.datasheet import Datasheet
from simfs.flash.fault_data import Cut, Error, Faults
from simfs.flash.faults import FaultHooks
from simfs.flash.interrupted import Profile
from simfs.flash.plan import Plan
from simfs.flash.trace import Change
from simfs.store.layout import buffer_bytes
from simfs.study.cut_points import CutPoint
from simfs.study.cut_states import Chip, every_operation

KINDS = ("program", "erase", "read")
HOW_OFTEN = ("once", "block", "ever")  # block: from then on whatever touches the block that it happened in
LEAVES = {
    "program": ("nothing", "bits half", "all", "bits few", "bytes 1"),
    "erase": ("nothing", "zeros half", "rising most", "weak", "raised few"),
    "read": ("nothing",),
}
LOOK_EVERY = 8  # calls
TRUTHS_MAX = 30
CUT_EVERY = 97  # cuts, for the recoveries


class Broken(AssertionError):
    """The store broke its promise."""


class Counter(FaultHooks):
    """Notes the block of every operation by kind, and every change; `plan` carries out its faults meanwhile."""

    def __init__(self, plan: FaultHooks | None = None) -> None:
        self.blocks: dict[str, list[int]] = {kind: [] for kind in KINDS}
        self.changes: list[Change] = []
        self._plan = plan or FaultHooks()

    def attach(self, geometry: Any, datasheet: Any) -> None:
        self.block_bytes = geometry.block_bytes
        self._plan.attach(geometry, datasheet)

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        self.blocks["read"].append(address // self.block_bytes)
        self._plan.before_read(cells, address, length)

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self.blocks["program"].append(address // self.block_bytes)
        self.changes.append(Change(address, data))
        self._plan.before_program(cells, address, data)

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self.blocks["erase"].append(address // self.block_bytes)
        self.changes.append(Change(address, None))
        self._plan.before_erase(cells, address, length)

    def errors(self, kind: str, number: int, how_often: str) -> tuple[Error, ...]:
        """The errors that begin with operation `number` of a kind."""
        leaves = LEAVES[kind][number % len(LEAVES[kind])]
        if how_often != "block":
            return (Error(kind, number, for_ever=how_often == "ever", leaves=leaves),)
        block = self.blocks[kind][number]
        return (Error(kind, self.blocks[kind][:number].count(block), block, for_ever=True, leaves=leaves),)


@dataclass
class Start:
    """A formatted flash, and what a scenario does on it when nothing fails."""

    scenario: Scenario
    image: bytes
    datasheet: Datasheet
    operations: Counter

    def flash(self, image: bytes | None = None, plan: Any = None) -> NorFlash:
        return NorFlash.from_image(image or self.image, datasheet=self.datasheet, faults=plan)


@cache
def start(name: str) -> Start:
    scenario = SCENARIOS[name]
    store = scenario.store()
    counter = Counter()
    found = Start(scenario, store.flash.image(), store.flash.datasheet, counter)
    live(found, found.flash(plan=counter))
    return found


def read_all(store: Store) -> Contents:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall()
    return found


def live(at: Start, flash: NorFlash) -> Possible:
    """Mount, and do what the scenario does; what may be on the flash then."""
    config = at.scenario.store().config
    possible = Possible(Truth(buffer_bytes(config, flash.geometry.page_bytes), config.fold_case))
    try:
        store = Store.mount(flash)
    except OSError:
        return possible
    hands: dict[str, Any] = {}
    try:
        return make_calls(at.scenario.calls(), store, hands, possible)
    finally:
        for file in hands.values():
            file.closed = True  # the run ends here: what waits is lost


def make_calls(calls: list[Call], store: Store, hands: dict[str, Any], possible: Possible) -> Possible:
    for number, call in enumerate(calls):
        if call[0] in NEED_A_HAND and call[1] not in hands:
            continue
        refused = False
        try:
            do(store, hands, call)
        except PowerCut:
            possible.refused(call, set(hands))
            return possible
        except OSError:
            refused = True
            possible.refused(call, set(hands))
        else:
            possible.done(call)
        if refused or number % LOOK_EVERY == 0:
            look(store, possible, call)
        if len(possible.truths) > TRUTHS_MAX:
            break  # most calls are refused, and nothing can be read that would tell what they did
    return possible


def look(store: Store, possible: Possible, call: Any) -> None:
    try:
        shown = read_all(store)
    except OSError as error:
        if error.errno == errno.EMFILE:
            raise
        return
    if not possible.look(shown):
        raise Broken(f"after {str(call)[:60]} the store shows {sizes(shown)}")


def sizes(contents: Contents) -> str:
    return "{" + ", ".join(f"{name}: {len(data)}" for name, data in sorted(contents.items())) + "}"


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
