"""Rows 1 to 5: the power is cut in the reference scenarios, and each state that this leaves is judged whole.

"Every" holds for these scenarios. A row goes through a list of cuts of each scenario, or with a smaller share through
every so manieth of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import islice
from math import ceil

from simfs.flash.interrupted import Profile
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import RANDOM_ERASE, RANDOM_PROGRAM, every_bit, every_byte, every_operation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import record
from simfs.study.cuts.shrink import shrink
from simfs.study.pools import Here
from tests.goals.scenarios import SCENARIOS
from tests.goals.table import Outcome, Row

PROGRAM, PAGE = Profile.PROGRAM.value, Profile.PAGE.value
CUTS_PER_PART = 500
ONE_SCENARIO = "readings, units of 8"  # whose every bit is cut
RANDOM_BITS = 600  # random parts of the bits of each of its programs
PHASES = ("zeros", "rising", "raised")
RANDOM_PHASES = 40  # random states of each erase
WEAK_SEEDS = 3
TRIES_MAX = 60  # to shrink a case


@cache
def history_of(scenario: str) -> History:
    one = SCENARIOS[scenario]
    return record(one.store(), one.play, scenario)


def bytes_and_phases(history: History, profile: str) -> Iterable[CutPoint]:
    """Every byte, under each profile that promises all."""
    return every_byte(history) if profile == PROGRAM or history.config.packing == "page" else ()


def bits(history: History, profile: str) -> Iterator[CutPoint]:
    if history.title != ONE_SCENARIO:
        return
    yield from every_bit(history)
    for number, operation in enumerate(history.operations):
        if operation.data is not None:
            for seed in range(RANDOM_BITS):
                yield CutPoint(number, RANDOM_PROGRAM[seed % 3], seed)


def erases(history: History, profile: str) -> Iterator[CutPoint]:
    """Each byte boundary in one of the phases, the next byte's in the next; and random parts of the bits."""
    for number, operation in enumerate(history.operations):
        if operation.data is None:
            for done in range(1, history.geometry.block_bytes):
                yield CutPoint(number, f"{PHASES[done % len(PHASES)]} {done}")
            for seed in range(RANDOM_PHASES):
                yield CutPoint(number, RANDOM_ERASE[seed % len(RANDOM_ERASE)], seed)
            yield from (CutPoint(number, leaves) for leaves in ("nothing", "all"))


def weak(history: History, profile: str) -> Iterator[CutPoint]:
    """The judge lets weak bits read otherwise twice, differently for each seed."""
    for cut in every_operation(history):
        yield from (CutPoint(cut.operation, cut.leaves, seed) for seed in range(1, WEAK_SEEDS + 1))


def plain(history: History, profile: str) -> Iterator[CutPoint]:
    for cut in every_operation(history):
        yield from (cut, CutPoint(cut.operation, cut.leaves, 1)) if cut.leaves == "bits half" else (cut,)


@dataclass(frozen=True)
class Cuts:
    """The cuts of a row: `of` gives those of one scenario under one profile; so many (`depth`) follow each other."""

    number: int
    goal: int
    of: Callable[[History, str], Iterable[CutPoint]]
    depth: int = 1
    profiles: tuple[str, ...] = (PROGRAM,)

    def parts(self, cases: int) -> Iterator[str]:
        step = max(1, round(self.goal / cases))
        for profile in self.profiles:
            for scenario in SCENARIOS:
                count = sum(1 for _ in self.of(history_of(scenario), profile))
                size = CUTS_PER_PART * step // self.depth
                for start in range(0, ceil(count / size)):
                    yield f"{scenario}; {profile}; cuts {start * size} to {min(start * size + size, count)} step {step}"

    def run(self, part: str) -> Outcome:
        scenario, profile, which = part.split("; ")
        history = history_of(scenario)
        if which.startswith("cuts"):
            _, start, _, stop, _, step = which.split()
            cuts = list(islice(self.of(history, profile), int(start), int(stop), int(step)))
            depth = self.depth
        else:
            cuts, depth = [CutPoint.parse(which)], 1
        result = campaign(history, cuts, profile=profile, depth=depth, executor=Here(), violations_max=5)
        outcome = Outcome(tried=result.states)
        for violation in result.violations:
            said = f"{violation.promise}: {violation.what}"
            if depth == 1 and len(cuts) == 1:
                shrunk = shrink(history, violation, profile, TRIES_MAX)
                said += f"; shrunk: {shrunk[0]} cut at {shrunk[1]}" if shrunk else ""
            outcome.violated(f"{scenario}; {profile}; {violation.cut}", said)
        if profile != PROGRAM:
            outcome.counts[profile] += result.states
        if self.depth > 1:
            outcome.counts["in a recovery"] += result.counts.get("in a recovery", 0)
        return outcome

    def row(self, what: str) -> Row:
        return Row(self.number, what, self.goal, self.parts, self.run)


ROWS = [
    Cuts(1, 314_000, bytes_and_phases, profiles=(PROGRAM, PAGE)).row(
        "cut at every flash operation and every programmed byte, 10 scenarios"
    ),
    Cuts(2, 422_000, bits).row("every bit boundary of one scenario, and random parts of the bits"),
    Cuts(3, 311_000, erases).row("every erase at every byte boundary, three phases by turns; mixtures; blank but weak"),
    Cuts(4, 68_000, weak).row("weak bits at each cut, two resolutions, mounted twice"),
    Cuts(5, 155_000, plain, depth=3).row("a second cut at every recovery step; triple cuts sampled"),
]
