"""Turns the operations of a scenario's task into functions, once, so that a run spends its time in the store."""

from __future__ import annotations

import re
from bisect import bisect_left, insort
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from simfs.flash.rng import Rng
from simfs.replay.device.task_files import DeviceTask
from simfs.replay.player.contents import Contents, Fillers, Series, Texts
from simfs.replay.player.gathering import Gathering
from simfs.replay.player.sensor_values import Sensor
from simfs.replay.scenario import tasks as table
from simfs.replay.scenario.patterns import Field, Moment, Pattern, name_writer

Action = Callable[[], object]

AGES_KEPT = 100_000

_digits = re.compile("[0-9]+").findall
_AGE_ORDER = ("boot", "year", "date", "month", "day", "time", "hour", "minute", "second", "counter")


@dataclass(slots=True)
class Stage:
    """What the operations of one task share."""

    files: DeviceTask
    moment: Moment
    values: Mapping[str, Sensor]
    rng: Rng
    seed: int
    counter_every: int
    runs: int = 0  # of the task before this one
    repetition: int = 0  # of the operation that is being done, in this run
    late_ns: int = 0  # by how much this run began late; the run's first read takes note of it
    newest: list[str] = field(default_factory=list)  # the file that each rotating operation wrote last
    gatherings: list[Gathering] = field(default_factory=list)
    contents: list[Contents] = field(default_factory=list)  # of the operations that write, in their order
    writers: dict[tuple[Pattern, int], Callable[[], str]] = field(default_factory=dict)

    def now(self) -> Series:
        """The present moment, as a series of one."""
        moment = self.moment
        return Series((moment.now_ns,), self.runs, self.counter_every, moment.boot, self.repetition)

    def name_writer(self, pattern: Pattern, back_ns: int = 0) -> Callable[[], str]:
        """A function that gives the name now."""
        key = (pattern, back_ns)
        if key not in self.writers:
            self.writers[key] = name_writer(pattern, self.moment, back_ns)
        return self.writers[key]


def action_of(operation: table.Operation, stage: Stage) -> Action:
    """A function that does the operation; `Boot` is the player's."""
    if isinstance(operation, table.ListNames):
        return _repeated(lambda: stage.files.names(operation.prefix), operation.repeat, stage)
    assert not isinstance(operation, table.Boot)
    name = stage.name_writer(operation.file, operation.back)
    once = _conditional(_once(operation, stage, name), operation.only_if, stage, name)
    return _repeated(once, operation.repeat, stage)


def _once(operation: table.FileOperation, stage: Stage, name: Callable[[], str]) -> Action:
    files, pattern = stage.files, operation.file.text
    match operation:
        case table.Append() | table.Write() | table.Create():
            return _growing(operation, stage, name)
        case table.Update():
            return _update(operation, stage, name)
        case table.Read():
            return _read(operation, stage, name)
        case table.Remove():
            return lambda: files.remove(name(), pattern)
        case table.Rename():
            to = stage.name_writer(operation.to, operation.back)
            return lambda: files.rename(name(), to(), pattern)
        case table.Truncate():
            return lambda: files.truncate(name(), operation.size, pattern)
    raise AssertionError(operation)


def _growing(operation: table.Append | table.Write | table.Create, stage: Stage, name: Callable[[], str]) -> Action:
    files, pattern = stage.files, operation.file.text
    content = _content(operation, stage)
    put = {"append": files.append, "write": files.write, "create": files.create}[operation.do]

    def write(file: str, data: bytes) -> None:
        put(file, data, pattern)

    to_file = write if operation.keep is None else _rotating(write, operation.file, operation.keep, stage)
    if isinstance(operation, table.Append) and operation.gather > 1:
        gathering = Gathering(operation.gather, to_file)
        stage.gatherings.append(gathering)
        to_file = gathering.add
    return lambda: to_file(name(), content())


def _rotating(
    write: Callable[[str, bytes], None], pattern: Pattern, keep: int, stage: Stage
) -> Callable[[str, bytes], None]:
    """Make room for a new file before it is written."""
    rotate = _rotation(pattern, keep, stage.files)
    newest, key = stage.newest, len(stage.newest)
    newest.append("")

    def write_rotating(file: str, data: bytes) -> None:
        if file != newest[key]:
            rotate(file)
            newest[key] = file
        write(file, data)

    return write_rotating


def _rotation(pattern: Pattern, keep: int, files: DeviceTask) -> Callable[[str], None]:
    """A function that removes the oldest files before a new one begins, so that there are never more than `keep`. Names
    decide the age."""
    match = pattern.expression().fullmatch
    prefix = pattern.pieces[0] if pattern.pieces and isinstance(pattern.pieces[0], str) else ""
    fields = [piece.name for piece in pattern.pieces if isinstance(piece, Field)]
    order = sorted(range(len(fields)), key=lambda at: _AGE_ORDER.index(fields[at]))

    @lru_cache(maxsize=AGES_KEPT)
    def age(name: str) -> tuple[int, ...] | None:
        """A key that sorts names of the pattern by age; None for other names."""
        found = match(name)
        return tuple(int(digits) for at in order for digits in _digits(found[at + 1])) if found else None

    listed: list[str] = []  # the names that are there the next time, if nobody else adds or removes some
    own: list[tuple[tuple[int, ...], str]] = []  # those of them that are the pattern's, by age

    def rotate(new: str) -> None:
        nonlocal listed, own
        names = files.names(prefix)
        if names != listed:
            own = sorted((when, name) for name in names if (when := age(name)) is not None)
        at = bisect_left(names, new)
        begins = at == len(names) or names[at] != new
        for entry in own[: max(len(own) + begins - keep, 0)]:
            if entry[1] != new:
                files.remove(entry[1], pattern.text)
                own.remove(entry)
                names.remove(entry[1])
        if begins and (when := age(new)) is not None:
            insort(own, (when, new))
            insort(names, new)
        listed = names

    return rotate


def _update(operation: table.Update, stage: Stage, name: Callable[[], str]) -> Action:
    files, pattern, at = stage.files, operation.file.text, operation.at
    content = _content(operation, stage)
    next_at = 0

    def place(file: str, length: int) -> int:
        """Where "next" or "any" is in the file; an update never makes the file longer unless it is shorter than it."""
        size = _size_bytes(stage, file)
        if at == "any":
            return stage.rng.below(max(1, size // max(1, length))) * length
        return 0 if next_at + length > size else next_at

    def act() -> None:
        nonlocal next_at
        file, data = name(), content()
        start = at if isinstance(at, int) else place(file, len(data))
        next_at = start + len(data)
        files.update(file, start, data, pattern)

    return act


def _read(operation: table.Read, stage: Stage, name: Callable[[], str]) -> Action:
    files, pattern, at = stage.files, operation.file.text, operation.at
    size = -1 if operation.size is None else operation.size

    def act() -> None:
        due_ns = files.device.now_ns - stage.late_ns
        stage.late_ns = 0
        files.read(name(), at, size, pattern, due_ns)

    return act


def _content(operation: table.Content, stage: Stage) -> Contents:
    if operation.text is not None:
        contents: Contents = Texts(operation.text, stage.values, operation.repeat, stage.now)
    else:
        stream = (stage.files.name, len(stage.contents))
        contents = Fillers(operation.size or [0, 0], operation.repeat, stage.now, stage.seed, *stream)
    stage.contents.append(contents)
    return contents


def _conditional(once: Action, only_if: str | None, stage: Stage, name: Callable[[], str]) -> Action:
    if only_if is None:
        return once
    wanted = only_if == "present"

    def act() -> None:
        if (_size_bytes(stage, name()) >= 0) == wanted:
            once()

    return act


def _size_bytes(stage: Stage, name: str) -> int:
    """-1 where there is no such file, or the store refuses the name."""
    try:
        size_bytes: int = stage.files.device.store.stat(name).size_bytes
    except OSError:
        return -1
    return size_bytes


def _repeated(once: Action, times: int, stage: Stage) -> Action:
    if times == 1:
        return once

    def act() -> None:
        for stage.repetition in range(times):
            once()
        stage.repetition = 0

    return act
