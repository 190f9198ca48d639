"""Names with a day in them, and the reasons why a scenario's work never repeats itself except for those days."""

from __future__ import annotations

from collections.abc import Hashable
from typing import NamedTuple

from simfs.replay.device.clock import NS_PER_DAY, date_of, days_before
from simfs.replay.player.sensor_values import length_of
from simfs.replay.scenario.patterns import Field, Moment, Pattern
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import Content, FileOperation, Rename, Task, Update

_DATE = {"date", "year", "month", "day"}


def obstacle(scenario: Scenario) -> str:
    """Why the work of this scenario never repeats itself exactly, as far as anyone can tell; empty where it may."""
    if scenario.store.cleaner in ("random", "best-of-d"):
        return f'the cleaner "{scenario.store.cleaner}" draws its victims'
    for task in scenario.task:
        why = _obstacle_of(task, scenario)
        if why:
            return f"task {task.name}: {why}"
    return ""


def _obstacle_of(task: Task, scenario: Scenario) -> str:
    if task.until is not None:
        return "it ends at some time"
    if task.jitter or task.burst is not None:
        return "its times are random"
    for operation in task.operations:
        if not isinstance(operation, FileOperation):
            continue
        if isinstance(operation, Content):
            if operation.size and operation.size[0] != operation.size[1]:
                return "the lengths that it writes are random"
            if operation.text is not None and _has_varying_readings(operation.text, scenario):
                return "the lengths that it writes depend on readings"
        if isinstance(operation, Update) and not isinstance(operation.at, int):
            return "where it updates is not the same each time"
        for pattern in _patterns_of(operation):
            if pattern.fields & {"counter", "boot"}:
                return f'the name "{pattern.text}" counts'
            if pattern.fields & _DATE and not _tells_day(pattern):
                return f'the name "{pattern.text}" does not tell the day'
    return ""


def _has_varying_readings(text: Pattern, scenario: Scenario) -> bool:
    read = [(scenario.values[place.name], place.width) for place in text.places if place.name in scenario.values]
    return any(length_of(value, width) is None for value, width in read)


def _tells_day(pattern: Pattern) -> bool:
    return "date" in pattern.fields or pattern.fields >= {"year", "month", "day"}


def _patterns_of(operation: FileOperation) -> list[Pattern]:
    return [operation.file, operation.to] if isinstance(operation, Rename) else [operation.file]


class DatedNames:
    """The names of a scenario's patterns that have a day in them."""

    def __init__(self, scenario: Scenario) -> None:
        operations = [of for task in scenario.task for of in task.operations if isinstance(of, FileOperation)]
        patterns = {pattern.text: pattern for of in operations for pattern in _patterns_of(of)}
        self._dated = [(of, of.expression()) for of in patterns.values() if _tells_day(of)]

    def relative(self, name: bytes, today: int) -> Hashable:
        """The name with its day counted from `today` (days since 0001-01-01); a name without a day as it is."""
        found = self._find(name)
        return name if found is None else (found.pattern.text, found.day - today, found.rest)

    def moved(self, name: bytes, days: int) -> bytes:
        """The same name so many days later."""
        found = self._find(name)
        return name if found is None else found.on(found.day + days).encode()

    def _find(self, name: bytes) -> _Found | None:
        text = name.decode("utf-8", "surrogateescape")
        for pattern, expression in self._dated:
            match = expression.fullmatch(text)
            if match is not None:
                found = _Found.of(pattern, match.groups())
                if found is not None and found.on(found.day) == text:
                    return found
        return None


class _Found(NamedTuple):
    """A name taken apart. `rest` has the texts of the fields that are no part of the date."""

    pattern: Pattern
    day: int
    rest: tuple[str, ...]

    @classmethod
    def of(cls, pattern: Pattern, texts: tuple[str, ...]) -> _Found | None:
        parts: dict[str, int] = {}
        rest = []
        fields = [piece for piece in pattern.pieces if isinstance(piece, Field)]
        for field, text in zip(fields, texts, strict=True):
            if field.name == "date":
                parts |= dict(zip(("year", "month", "day"), map(int, text.split("-")), strict=True))
            elif field.name in _DATE:
                parts[field.name] = int(text)
            else:
                rest.append(text)
        day = days_before(parts["year"], parts["month"], parts["day"])
        if date_of(day) != (parts["year"], parts["month"], parts["day"]):
            return None
        return cls(pattern, day, tuple(rest))

    def on(self, day: int) -> str:
        """The name as it is on another day."""
        clock, rest = Moment(), iter(self.rest)
        clock.now_ns = day * NS_PER_DAY
        parts = []
        for piece in self.pattern.pieces:
            if isinstance(piece, str):
                parts.append(piece)
            elif piece.name in _DATE:
                parts.append(clock.field(piece.name).zfill(piece.width))
            else:
                parts.append(next(rest))
        return "".join(parts)
