"""The search: breadth first by the number of cuts, every state once. Where there is no time for all states, each number
of cuts gets its share of the power-ons, and states are drawn at random."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from functools import partial

from simfs.flash import Rng
from tests.goals.world.power_on import Outcome, PowerOns, shown
from tests.goals.world.settings import OPERATIONS, World, possible
from tests.goals.world.states import Choices, Off, Readings, off_after, off_after_cuts

NUMBERS = re.compile(r"[0-9a-fx]*[0-9]+[0-9a-fx]*|{.*?}")


@dataclass(frozen=True, slots=True)
class Step:
    """One power-on of a path: how the groups read, the operation after the mount ("": none), and in which change the
    power was cut; None: it was switched off at the end."""

    choices: Choices
    operation: str
    cut: int | None


@dataclass(frozen=True, slots=True)
class Reached:
    """A state, the steps that lead to it, and how many cuts and operations they have."""

    off: Off
    steps: tuple[Step, ...] = ()
    cuts: int = 0
    operations: int = 0


@dataclass(frozen=True, slots=True)
class Limits:
    """How far a search goes: cuts and operations of a path, power-ons, violations of different kinds."""

    cuts: int = 4
    operations: int = 2
    power_ons: int = 10**9
    violations: int = 5


@dataclass(slots=True)
class Found:
    """What a search saw. `closed_cuts`: every state with so many cuts or less has been gone through."""

    power_ons: int = 0
    readings: int = 0
    states: int = 0
    closed_cuts: int = -1
    violations: list[tuple[tuple[Step, ...], str]] = field(default_factory=list)  # the first of each kind
    kinds: Counter[str] = field(default_factory=Counter)


class Search:
    """Goes through all states that can be reached from one."""

    def __init__(self, world: World, limits: Limits) -> None:
        self.world, self.limits, self.found = world, limits, Found()
        self._power_ons = PowerOns(world)
        self._seen: dict[bytes, int] = {}  # by state: with how few operations it was reached
        self._levels: list[list[Reached]] = [[] for _ in range(limits.cuts + 1)]  # by cuts
        self._rng = Rng(0, "search")

    def run(self, start: Reached) -> Found:
        """Search until everything is seen or a limit is reached."""
        self._reach(start)
        closed = True
        for cuts, level in enumerate(self._levels):
            left = self.limits.power_ons - self.found.power_ons
            self._go_through(level, self.found.power_ons + left // (len(self._levels) - cuts))
            closed = closed and not level
            self.found.closed_cuts = cuts if closed else self.found.closed_cuts
        return self.found

    def _go_through(self, level: list[Reached], power_ons_max: int) -> None:
        found = self.found
        while level and found.power_ons < power_ons_max and len(found.violations) < self.limits.violations:
            at = self._rng.below(len(level))
            level[at], level[-1] = level[-1], level[at]
            self.expand(level.pop())
            found.power_ons = self._power_ons.count

    def _reach(self, reached: Reached) -> None:
        """Queue the state unless it has been seen with as many operations to come."""
        key = reached.off.key()
        before = self._seen.get(key)
        if before is None or before > reached.operations:
            self.found.states += before is None
            self._seen[key] = reached.operations
            self._levels[reached.cuts].append(reached)

    def expand(self, reached: Reached) -> None:
        """Every power-on of the state: all readings, each followed by nothing and by each operation, each cut at every
        change. Operations are tried once for each way in which the store may stand after its mount."""
        readings = Readings(reached.off, self.world)
        known_changes, known_ways = set(), set()
        for choices, outcome in readings.all_outcomes(self._power_ons.mount):
            self.found.readings += 1
            known = outcome.noted in known_changes
            known_changes.add(outcome.noted)
            if not known:
                self._cuts(reached, choices, outcome, "")
            problem = outcome.problem or lost(reached.off, outcome)
            if problem:
                self._violated(reached, Step(choices, "", None), problem)
                continue
            if not known:
                self._switch_off(reached, choices, outcome, "")
            way = outcome.noted, outcome.stands
            if reached.operations < self.limits.operations and way not in known_ways:
                known_ways.add(way)
                self._operate(reached, readings, choices, outcome)

    def _operate(self, reached: Reached, readings: Readings, choices: Choices, mounted: Outcome) -> None:
        for operation in OPERATIONS:
            if not possible(operation, mounted.found, self.world.config):
                continue
            run = partial(self._power_ons.operate, operation=operation)
            for more, outcome in readings.all_outcomes(run, choices):
                self.found.readings += 1
                self._cuts(reached, more, outcome, operation)
                if outcome.problem:
                    self._violated(reached, Step(more, operation, None), outcome.problem)
                else:
                    self._switch_off(reached, more, outcome, operation)

    def _switch_off(self, reached: Reached, choices: Choices, outcome: Outcome, operation: str) -> None:
        off = off_after(reached.off, self.world, outcome)
        steps = (*reached.steps, Step(choices, operation, None))
        self._reach(Reached(off, steps, reached.cuts, reached.operations + bool(operation)))

    def _cuts(self, reached: Reached, choices: Choices, outcome: Outcome, operation: str) -> None:
        if reached.cuts < self.limits.cuts:
            operations = reached.operations + bool(operation)
            first = outcome.mount_changes if operation else 0
            for number, off in off_after_cuts(reached.off, self.world, outcome, first):
                steps = (*reached.steps, Step(choices, operation, number))
                self._reach(Reached(off, steps, reached.cuts + 1, operations))

    def _violated(self, reached: Reached, step: Step, text: str) -> None:
        kind = NUMBERS.sub("N", text)
        self.found.kinds[kind] += 1
        if self.found.kinds[kind] == 1:
            self.found.violations.append(((*reached.steps, step), text))


def lost(off: Off, outcome: Outcome) -> str:
    """What a mount found wrongly, if it did."""
    if outcome.found in off.allowed:
        return ""
    return f"the mount finds {shown(outcome.found)}; allowed is {' or '.join(map(shown, off.allowed))}"


def start_of(world: World, number: int) -> Reached:
    image, contents = world.start(number)
    return Reached(Off(image, (), (contents,)))
