"""A path as a text: a world, where it starts, and a step for each power-on. Whoever has the text can go the path again.

    one head; start 3; mount, cut 0; 0 reads bytes 15, mount, cut 2; 0 reads all, append a, off

A step says how each weak group reads that the power-on touches (by the names of the fault data; the others do not
matter), the operation after the mount, if any, and in which change, counted from 0, the power is cut, or that it is
switched off at the end. What is judged is every step up to the last.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tests.goals.world.power_on import Outcome, PowerOns
from tests.goals.world.search import Reached, Step, lost, start_of
from tests.goals.world.settings import OPERATIONS, WORLDS, World
from tests.goals.world.states import Off, Readings, off_after, off_after_cuts


class NoSuchPath(ValueError):
    """The store does something else on the way: it makes fewer changes, or other cells are weak."""


@dataclass(frozen=True, slots=True)
class Gone:
    """One step as it was gone: the state before, the cells as they read, what came of it, the state after."""

    step: Step
    readings: Readings
    image: bytes
    outcome: Outcome
    after: Off

    @property
    def problem(self) -> str:
        """The promise that the store broke in it; a cut one is judged up to the cut only."""
        if self.step.cut is not None:
            return ""
        return self.outcome.problem or lost(self.readings.off, self.outcome)


def parse(text: str) -> tuple[World, int, list[str]]:
    """The world, the number of its start, and the steps. ValueError."""
    name, start, *steps = text.split("; ")
    if name not in WORLDS or not start.startswith("start "):
        raise ValueError(f"a path begins with a world and its start, such as 'one head; start 3', not {text!r}")
    return WORLDS[name], int(start.removeprefix("start ")), steps


def go(text: str) -> Iterator[Gone]:
    """Go a path, step by step. NoSuchPath."""
    world, start, steps = parse(text)
    off, power_ons = start_of(world, start).off, PowerOns(world)
    for said in steps:
        readings = Readings(off, world)
        step = _step(said, readings)
        image = readings.image(step.choices)
        outcome = power_ons.operate(image, step.operation) if step.operation else power_ons.mount(image)
        off = _after(off, world, outcome, step)
        yield Gone(step, readings, image, outcome, off)


def reached_by(text: str) -> Reached:
    """Where a path leads."""
    world, start, _ = parse(text)
    reached = start_of(world, start)
    for gone in go(text):
        cuts = reached.cuts + (gone.step.cut is not None)
        operations = reached.operations + bool(gone.step.operation)
        reached = Reached(gone.after, (*reached.steps, gone.step), cuts, operations)
    return reached


def text_of(world: str, start: int, steps: tuple[Step, ...]) -> str:
    """The text of a path from a start of a world."""
    parts = [world, f"start {start}"]
    off, power_ons = start_of(WORLDS[world], start).off, PowerOns(WORLDS[world])
    for step in steps:
        readings = Readings(off, WORLDS[world])
        parts.append(_said(step, readings))
        image = readings.image(step.choices)
        outcome = power_ons.operate(image, step.operation) if step.operation else power_ons.mount(image)
        off = _after(off, WORLDS[world], outcome, step)
    return "; ".join(parts)


def _after(off: Off, world: World, outcome: Outcome, step: Step) -> Off:
    if step.cut is None:
        return off_after(off, world, outcome) if outcome.marks else off
    if step.cut >= len(outcome.noted):
        raise NoSuchPath(f"there is no change {step.cut} to cut: the store makes {len(outcome.noted)}")
    return dict(off_after_cuts(off, world, outcome, 0))[step.cut]


def _said(step: Step, readings: Readings) -> str:
    reads = [f"{number} reads {readings.ways[number][way]}" for number, way in sorted(step.choices)]
    return ", ".join([*reads, step.operation or "mount", "off" if step.cut is None else f"cut {step.cut}"])


def _step(said: str, readings: Readings) -> Step:
    *reads, operation, end = said.split(", ")
    if operation not in {"mount", *OPERATIONS} or (end != "off" and not end.startswith("cut ")):
        raise ValueError(f"a step ends in an operation and its end, such as 'append a, cut 3', not {said!r}")
    choices = []
    for one in reads:
        number, way = one.split(" reads ")
        if int(number) >= len(readings.ways) or way not in readings.ways[int(number)]:
            raise NoSuchPath(f"there is no weak group {number} that may read {way!r}")
        choices.append((int(number), readings.ways[int(number)].index(way)))
    cut = None if end == "off" else int(end.removeprefix("cut "))
    return Step(tuple(choices), "" if operation == "mount" else operation, cut)
