"""Ideas about what the firmware does with its files."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from simfs.replay.scenario.patterns import Field, tick_ns
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import Append, Content, Task, Write
from simfs.replay.scenario.toml_lines import Path as KeyPath
from simfs.study.advice.idea import Change, Idea

GATHERED_MAX = 60
SOME_READINGS = 10
KEPT_PERCENT = 80  # of the files that would fill the store
PIECE_BYTES_MAX = 128  # what is larger fills pages by itself
INT16_MAX = (1 << 15) - 1
TIME_BYTES = 4  # seconds since a start of the firmware's own
NUMBER = re.compile(r"\d+(?:\.\d+)?")
FIELD_BYTES = {"date": 10, "time": 8, "year": 4}  # the others about 2
OF_TIME = frozenset({"date", "time", "year", "month", "day", "hour", "minute", "second"})


def of_tasks(scenario: Scenario, table: dict[str, Any], full_ns: int | None) -> Iterator[Idea]:
    """Each for one operation of one task. `table` is the scenario as its file has it; `full_ns` is the time until the
    store is full, if it fills up."""
    for number, task in enumerate(scenario.task):
        for place, operation in enumerate(task.operations):
            path: KeyPath = ("task", number, "operations", place)
            if isinstance(operation, Append):
                yield from _gathered(scenario, task, operation, path)
                yield from _as_binary(scenario, task, operation, path)
            if isinstance(operation, Append | Write) and operation.keep is not None and operation.keep > 1:
                yield _kept_for_less(task, operation, path)
            if full_ns is not None and isinstance(operation, Append | Write) and operation.keep is None:
                yield from _kept_in_time(task, operation, path, full_ns)
            if isinstance(operation, Write) and not operation.file.places and len(task.operations) == 1:
                yield _anew(task, table["task"][number]["operations"][place], path)


def _gathered(scenario: Scenario, task: Task, append: Append, path: KeyPath) -> Iterator[Idea]:
    record_bytes = _longest(scenario, append)
    if append.gather > 1 or record_bytes > PIECE_BYTES_MAX or task.every is None:
        return
    page = min(GATHERED_MAX, (scenario.chip.page or 256) // max(record_bytes, 1))
    most = _most_in_one_file(scenario, task, append)
    for count in sorted({SOME_READINGS, page}):
        if 1 < count <= most:
            price = f"costs durability: up to {count - 1} readings wait in RAM, and a power cut takes them"
            yield Idea(f"gather {count} of {task.name}", (((*path, "gather"), count),), price, is_about_cuts=True)


def _most_in_one_file(scenario: Scenario, task: Task, append: Append) -> int:
    """Readings that go to one file in the run. More than these are never written together, and with more than the run
    has, none would be written at all. A burst is not looked into."""
    if task.every is None or task.burst is not None:
        return GATHERED_MAX
    lasts_ns = min(scenario.run.duration - task.first, tick_ns(append.file))
    return max(0, -(-lasts_ns // task.every))


def _as_binary(scenario: Scenario, task: Task, append: Append, path: KeyPath) -> Iterator[Idea]:
    """The same readings in a record of fixed size, if that is at least a third shorter."""
    if append.text is None:
        return
    fields = {piece.name for piece in append.text.pieces if isinstance(piece, Field)}
    readings = [name for name in fields if name in scenario.values]
    others = fields - OF_TIME - set(readings)
    record_bytes = sum(_reading_bytes(scenario, name) for name in readings) + TIME_BYTES * len(others)
    record_bytes += TIME_BYTES if fields & OF_TIME else 0
    literal = "".join(piece for piece in append.text.pieces if isinstance(piece, str))
    record_bytes += TIME_BYTES * len(NUMBER.findall(literal))  # a reading that the scenario does not vary
    if fields and 3 * record_bytes <= 2 * _longest(scenario, append):
        changes: list[Change] = [((*path, "text"), None), ((*path, "size"), f"{record_bytes} B")]
        changes += [(("values", name), None) for name in readings if _uses(scenario, name) == 1]
        yield Idea(
            f"records of {record_bytes} B in {task.name}", tuple(changes), "who reads the file has to know the format"
        )


def _uses(scenario: Scenario, name: str) -> int:
    """How many operations have this reading in their text."""
    operations = [one for task in scenario.task for one in task.operations if isinstance(one, Content)]
    return sum(name in one.text.fields for one in operations if one.text is not None)


def _reading_bytes(scenario: Scenario, name: str) -> int:
    """2 where the reading fits 16 bits, else 4."""
    value = scenario.values[name]
    swing = sum(abs(wave.amplitude) for wave in value.waves) + value.noise
    walk = value.walk
    swing += max(abs(walk.least), abs(walk.most)) if walk else 0
    most = (abs(value.mean) + swing) * 10**value.decimals
    if value.least is not None and value.most is not None:
        most = max(abs(value.least), abs(value.most)) * 10**value.decimals
    return 2 if most <= INT16_MAX else 4


def _longest(scenario: Scenario, append: Append) -> int:
    """Bytes of one record, about."""
    if append.size is not None:
        return append.size[1]
    pieces = append.text.pieces if append.text else ()
    return sum(len(piece.encode()) if isinstance(piece, str) else _field_bytes(scenario, piece) for piece in pieces)


def _field_bytes(scenario: Scenario, field: Field) -> int:
    value = scenario.values.get(field.name)
    usual = len(f"{value.mean:.{value.decimals}f}") if value else FIELD_BYTES.get(field.name, 2)
    return max(field.width, usual)


def _files(count: int) -> str:
    return "1 file" if count == 1 else f"{count} files"


def _kept_for_less(task: Task, operation: Append | Write, path: KeyPath) -> Idea:
    fewer = max(1, (operation.keep or 0) * 3 // 4)
    return Idea(f"keep {_files(fewer)} of {task.name}", (((*path, "keep"), fewer),), "older files go sooner")


def _kept_in_time(task: Task, operation: Append | Write, path: KeyPath, full_ns: int) -> Iterator[Idea]:
    """Files named by date, of which so many are kept as fill most of the room."""
    if operation.file.fields & OF_TIME:
        count = full_ns * KEPT_PERCENT // 100 // tick_ns(operation.file)
        if count:
            yield Idea(f"keep {_files(count)} of {task.name}", (((*path, "keep"), count),), "older files go")


def _anew(task: Task, written: dict[str, Any], path: KeyPath) -> Idea:
    """The same contents to another file, which is renamed over the old one."""
    new = f"{written['file']}.new"
    steps = [written | {"file": new}, {"do": "rename", "file": new, "to": written["file"]}]
    return Idea(f"write {task.name} anew and rename", ((path[:-1], steps),), is_about_cuts=True)
