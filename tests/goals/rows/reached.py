"""Row 17: each fault meets each kind of record in each phase, in the work and in a recovery, at least ten times.

Cuts are chosen for it from all that there are in the reference scenarios, and judged like any other. What is counted
are judged states. A BAD frame is written only when a block has failed: it is reached with an error first, and a cut
then.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from random import Random

from tabulate import tabulate

from simfs import NorFlash, Store
from simfs.flash.interrupted import Profile
from simfs.flash.trace import Change, Trace
from simfs.store.format.layout import Layout, layout_of
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import Chip, every_operation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.pools import Here
from tests.goals.lives import Counter as Noted
from tests.goals.lives import live, start
from tests.goals.records import ERASE, RECORDS, records_of
from tests.goals.rows import errors as goals_errors
from tests.goals.rows import rot as goals_rot
from tests.goals.rows.cuts import history_of
from tests.goals.rows.errors import before as before_recovery
from tests.goals.rows.errors import judge_recovery, judge_work, plan_of
from tests.goals.rows.rot import states
from tests.goals.scenarios import SCENARIOS
from tests.goals.table import STOPPED, Outcome, Row

TIMES = 10
PER_SCENARIO = 12  # states for each cell that a scenario can reach
PROGRAM_PHASES = ("nothing", "bytes", "bits", "all")
ERASE_PHASES = ("nothing", "zeros", "rising", "raised", "weak", "all")
PLACES = ("work", "recovery")
CELLS = [
    *((record, f"{place}: {phase}") for record in RECORDS for place in PLACES for phase in PROGRAM_PHASES),
    *((ERASE, f"{place}: {phase}") for place in PLACES for phase in ERASE_PHASES),
    *((record, f"{place}: error") for record in [*RECORDS, ERASE] for place in PLACES),
    *((record, "rot") for record in RECORDS),
]
BAD = "BAD frame"
UNREACHED = {(BAD, column) for _, column in CELLS if column not in {f"work: {phase}" for phase in PROGRAM_PHASES}}
"""Nothing here makes a block fail twice, nor rots what a failure wrote."""
GOAL = TIMES * (len(CELLS) - len(UNREACHED))

SINGLE = {"error": goals_errors.run, "rot": goals_rot.run}
"""How a case that was violated is tried alone."""

Picked = dict[tuple[str, str], list[CutPoint]]


def leaves_of(change: Change, random: Random) -> Iterator[tuple[str, str]]:
    """What a cut in this change may leave, one for each phase."""
    yield "nothing", "nothing"
    yield "all", "all"
    if change.data is None:
        amount = random.choice(("few", "half", "most", "200"))
        yield from ((phase, f"{phase} {amount}") for phase in ("zeros", "rising", "raised"))
        yield "weak", "weak"
        return
    yield "bits", f"bits {random.choice(('few', 'half', 'most'))}"
    if len(change.data) > 1:
        yield "bytes", f"bytes {random.randrange(1, len(change.data))}"


def layout_for(history: History) -> Layout:
    return layout_of(history.geometry, history.config)


def cuts_in(changes: list[Change], layout: Layout, random: Random) -> Iterator[tuple[str, str, CutPoint]]:
    """A cut of each phase in each change: the record, the phase and the cut."""
    for at, record in enumerate(records_of(changes, layout)):
        for phase, leaves in leaves_of(changes[at], random):
            yield record, phase, CutPoint(at, leaves, random.randrange(100))


def cuts_in_work(history: History) -> Picked:
    picked: Picked = defaultdict(list)
    changes = [operation.change for operation in history.operations]
    for record, phase, cut in cuts_in(changes, layout_for(history), Random(history.title)):
        picked[record, f"work: {phase}"].append(cut)
    return picked


def cuts_in_recoveries(history: History) -> Picked:
    """After every third of the cuts that there are."""
    picked: Picked = defaultdict(list)
    random = Random(history.title)
    chip = Chip.holding(history.image, history.geometry, history.erase_counts)
    done = 0
    for cut in list(every_operation(history))[::3]:
        chip.apply_all(one.change for one in history.operations[done : cut.operation])
        done = cut.operation
        left = chip.copy()
        left.cut(history.operations[done].change, cut, Profile.PROGRAM)
        trace = Trace()
        Store.mount(NorFlash.from_image(left.cells, datasheet=history.datasheet, faults=trace))
        for record, phase, then in cuts_in(trace.changes, layout_for(history), random):
            picked[record, f"recovery: {phase}"].append(cut.followed_by(then))
    return picked


def evenly(found: list[CutPoint], count: int) -> list[CutPoint]:
    count = min(count, len(found))
    return [found[(2 * number + 1) * len(found) // (2 * count)] for number in range(count)]


def run_cuts(scenario: str, place: str, count: int) -> Outcome:
    history, outcome = history_of(scenario), Outcome()
    picked = cuts_in_work(history) if place == "work" else cuts_in_recoveries(history)
    for cell, found in picked.items():
        result = campaign(history, evenly(found, count), executor=Here(), violations_max=None)
        outcome.tried += result.states
        outcome.cells[cell] += result.states
        for violation in result.violations:
            outcome.violated(f"{scenario}; {violation.cut}", f"{violation.promise}: {violation.what}")
    return outcome


def run_errors(scenario: str, count: int) -> Outcome:
    """Programs and erases that fail, once and for ever, in the work and in recoveries; and cuts in BAD frames."""
    outcome, met = Outcome(), Counter[tuple[str, str]]()
    at, layout = start(scenario), layout_for(history_of(scenario))
    for error, record in errors_of(at.operations, layout):
        case = partial(judge_work, scenario, error)
        _meet(outcome, met, count, (record, "work: error"), f"{scenario}; {error}", case)
    for (record, column), cuts in cuts_in_recoveries(history_of(scenario)).items():
        for both in evenly(cuts, count) if column == "recovery: nothing" else ():
            cut = replace(both, then=None)
            error, met_there = list(errors_of(before_recovery(scenario, cut).operations, layout))[both.then.operation]
            assert met_there == record
            case = partial(judge_recovery, scenario, cut, error)
            part = f"{scenario}; recovery from {cut}; {error}"
            _meet(outcome, met, count, (record, "recovery: error"), part, case)
    for cell, error in cuts_of_bad_frames(scenario, count):
        _meet(outcome, met, count, cell, f"{scenario}; {error}", partial(judge_work, scenario, error))
    return outcome


def errors_of(noted: Noted, layout: Layout) -> Iterator[tuple[str, str]]:
    """The errors of programs and erases, and the records that they meet."""
    numbers: Counter[str] = Counter()
    for change, record in zip(noted.changes, records_of(noted.changes, layout), strict=True):
        kind = "erase" if change.data is None else "program"
        yield f"{kind} {numbers[kind]} {('once', 'block', 'ever')[numbers[kind] % 3]}", record
        numbers[kind] += 1


def cuts_of_bad_frames(scenario: str, count: int) -> Iterator[tuple[tuple[str, str], str]]:
    """A block fails; then the power goes in a frame that says so."""
    at, random = start(scenario), Random(scenario)
    layout = layout_for(history_of(scenario))
    for number in range(min(count, len(at.operations.blocks["erase"]))):
        error = f"erase {number} block"
        noted = Noted(plan_of(at.operations, error)[0])
        live(at, at.flash(plan=noted))
        for change, record in enumerate(records_of(noted.changes, layout)):
            if record == BAD:
                for phase, leaves in leaves_of(noted.changes[change], random):
                    yield (BAD, f"work: {phase}"), f"{error}, cut {change} {leaves}"


def _meet(
    outcome: Outcome, met: Counter[tuple[str, str]], count: int, cell: tuple[str, str], part: str, case: partial[None]
) -> None:
    """Judge a case unless its cell has been met often enough here."""
    if met[cell] >= count:
        return
    met[cell] += 1
    outcome.tried += 1
    outcome.cells[cell] += 1
    try:
        case()
    except Exception as error:
        outcome.violated(f"error: {part}", error)


def run_rot(scenario: str, count: int) -> Outcome:
    """Flips in each kind of record of what cuts have left."""
    history, outcome = history_of(scenario), Outcome()
    random = Random(scenario)
    changes = [operation.change for operation in history.operations]
    cuts = list(every_operation(history))
    chosen = evenly(cuts, count) + evenly([cut for cut in cuts if changes[cut.operation].data is None], count)
    chosen.sort(key=lambda cut: cut.operation)
    records = records_of(changes, layout_for(history))
    for cut, rotten in states(history, chosen):
        owners = defaultdict(list)
        for place, record in owners_of(changes[: cut.operation], records, history.geometry.block_bytes).items():
            owners[record].append(place)
        for record, places in owners.items():
            address, bit = random.choice(places), random.randrange(8)
            outcome.tried += 1
            outcome.cells[record, "rot"] += 1
            try:
                rotten.judge(address, bit, writable=bit % 2 == 0)
            except Exception as error:
                how = "read-only" if bit % 2 else "writable"
                outcome.violated(f"rot: {scenario}; {cut}; flip {address} {bit} {how}", error)
    return outcome


def owners_of(changes: list[Change], records: list[str], block_bytes: int) -> dict[int, str]:
    """The record that each programmed byte belongs to."""
    owners: dict[int, str] = {}
    for (address, data), record in zip(changes, records, strict=False):
        if data is None:
            for at in range(address, address + block_bytes):
                owners.pop(at, None)
        else:
            owners.update((at, record) for at, byte in enumerate(data, address) if byte != 0xFF)
    return owners


def parts(cases: int) -> Iterator[str]:
    count = max(1, round(PER_SCENARIO * cases / GOAL))
    for what in ("work", "recovery", "errors", "rot"):
        yield from (f"{scenario}; {what}; {count} each" for scenario in SCENARIOS)


def run(part: str) -> Outcome:
    what, _, case = part.partition(": ")
    if what in SINGLE:
        return SINGLE[what](case)
    scenario, what, *many = part.split("; ")
    if not many:
        result = campaign(history_of(scenario), [CutPoint.parse(what)], executor=Here())
        return Outcome(result.states, [(part, f"{one.promise}: {one.what}") for one in result.violations])
    count = int(many[0].split()[0])
    if what in PLACES:
        outcome = run_cuts(scenario, what, count)
    else:
        outcome = run_errors(scenario, count) if what == "errors" else run_rot(scenario, count)
    outcome.notes.append(many[0])
    return outcome


def judge(outcome: Outcome) -> None:
    """Every cell has been reached often enough, when all were tried."""
    if f"{PER_SCENARIO} each" in outcome.notes and STOPPED not in outcome.notes:
        for cell in CELLS:
            if cell not in UNREACHED and outcome.cells[cell] < TIMES:
                outcome.violated("all", f"{cell[0]} with {cell[1]}: reached {outcome.cells[cell]} times")


def show(outcome: Outcome) -> str:
    """The cells: one table for programs, one for erases."""
    tables = []
    for records, phases in ((RECORDS, PROGRAM_PHASES), ([ERASE], ERASE_PHASES)):
        columns = [f"{place}: {phase}" for place in PLACES for phase in (*phases, "error")]
        columns += ["rot"] * (records is RECORDS)
        lines = [
            [record, *("-" if (record, column) in UNREACHED else outcome.cells[record, column] for column in columns)]
            for record in records
        ]
        tables.append(tabulate(lines, ["record", *(column.replace(": ", "\n") for column in columns)]))
    return "\n\n".join(tables) + "\n"


ROWS = [Row(17, "each fault x record kind x phase reached 10 times", GOAL, parts, run, judge, show)]
