"""A workload on a small store, run once while every program and erase is noted, beside a model of what is durable."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any

from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.flash.datasheet import Datasheet
from simfs.flash.parts import GENERIC

Contents = dict[str, bytes]
Call = tuple[Any, ...]


@dataclass
class TrueFile:
    """What is durable of a file, and what waits in its buffer."""

    durable: bytes = b""
    waiting: bytes = b""
    waits_at: int = 0

    def put(self, offset: int, data: bytes) -> None:
        old = self.durable.ljust(offset, b"\0")
        self.durable = old[:offset] + data + old[offset + len(data) :]

    def spill(self, length: int) -> None:
        self.put(self.waits_at, self.waiting[:length])
        self.waits_at += length
        self.waiting = self.waiting[length:]

    def size(self) -> int:
        return max(len(self.durable), self.waits_at + len(self.waiting) if self.waiting else 0)


class Truth:
    """The model of persistence: each call gives the durable contents after each of its events, in order."""

    def __init__(self, buffer_bytes: int) -> None:
        self.buffer_bytes = buffer_bytes
        self.files: dict[str, TrueFile] = {}
        self.opened: dict[str, TrueFile] = {}

    def durable(self) -> Contents:
        return {name: file.durable for name, file in self.files.items()}

    def after(self, call: Call) -> list[Contents]:
        what, *arguments = call
        return [self.durable() for _ in getattr(self, "do_" + what)(*arguments)]

    def do_open(self, name: str, mode: str) -> Iterator[None]:
        file = self.files.get(name)
        if file is None:
            file = self.files[name] = TrueFile()
            yield
        elif mode == "w" and file.size():
            file.durable = file.waiting = b""
            yield
        self.opened[name] = file

    def do_write(self, name: str, offset: int | None, data: bytes) -> Iterator[None]:
        file = self.opened[name]
        at = file.size() if offset is None else offset
        if file.waiting and not file.waits_at <= at <= file.waits_at + len(file.waiting):
            file.spill(len(file.waiting))
            yield
        if not file.waiting:
            file.waits_at = at
        within = at - file.waits_at
        file.waiting = file.waiting[:within] + data + file.waiting[within + len(data) :]
        while len(file.waiting) >= self.buffer_bytes:
            file.spill(self.buffer_bytes)
            yield

    def do_flush(self, name: str) -> Iterator[None]:
        file = self.opened[name]
        if file.waiting:
            file.spill(len(file.waiting))
            yield

    def do_close(self, name: str) -> Iterator[None]:
        yield from self.do_flush(name)
        del self.opened[name]

    def do_truncate(self, name: str, size: int) -> Iterator[None]:
        file = self.files[name]
        file.waiting = file.waiting[: max(size - file.waits_at, 0)]
        if file.waiting:
            file.spill(len(file.waiting))
            yield
        if size != len(file.durable):
            file.durable = file.durable[:size].ljust(size, b"\0")
            yield

    def do_remove(self, name: str) -> Iterator[None]:
        del self.files[name]
        yield

    def do_rename(self, old: str, new: str) -> Iterator[None]:
        self.files[new] = self.files.pop(old)
        yield


class Hands:
    """The same calls on a store."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.opened: dict[str, Any] = {}

    def perform(self, call: Call) -> None:
        what, *arguments = call
        getattr(self, "do_" + what)(*arguments)

    def do_open(self, name: str, mode: str) -> None:
        self.opened[name] = self.store.open(name, mode)

    def do_write(self, name: str, offset: int | None, data: bytes) -> None:
        file = self.opened[name]
        file.seek(0, 2) if offset is None else file.seek(offset)
        file.write(data)

    def do_flush(self, name: str) -> None:
        self.opened[name].flush()

    def do_close(self, name: str) -> None:
        self.opened.pop(name).close()

    def do_truncate(self, name: str, size: int) -> None:
        self.store.truncate(name, size)

    def do_remove(self, name: str) -> None:
        self.store.remove(name)

    def do_rename(self, old: str, new: str) -> None:
        self.store.rename(old, new)


@dataclass(frozen=True)
class Change:
    """One program (`data`) or erase (`data` is None) of the flash, and the call that asked for it."""

    address: int
    data: bytes | None
    call: int


@dataclass
class Notes:
    """A fault plan that only notes what changes the flash; or cuts the power before change number `cut_at`, after
    `damage` has done its part."""

    changes: list[Change] = field(default_factory=list)
    call: int = 0
    cut_at: int | None = None
    damage: Callable[[memoryview, Change], None] | None = None

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        pass

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._note(cells, Change(address, bytes(data), self.call))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._note(cells, Change(address, None, self.call))

    def _note(self, cells: memoryview, change: Change) -> None:
        self.changes.append(change)
        if self.cut_at is not None and len(self.changes) > self.cut_at:
            if self.damage is not None:
                self.damage(cells, change)
            raise PowerCut


@dataclass(frozen=True)
class Setting:
    """Sizes of the flash and settings of the store."""

    flash: dict[str, int]
    config: dict[str, Any]

    def sheet(self) -> Datasheet:
        sizes = {name: value for name, value in self.flash.items() if name != "block_count"}
        return replace(GENERIC, size_bytes=self.flash["block_count"] * self.flash["block_bytes"], **sizes)


@dataclass
class Story:
    """A workload that ran to its end: the image before, the changes, and the contents after each persistence event.
    `bounds` has for each call the numbers of the first and the last contents that a cut in it may leave."""

    setting: Setting
    image: bytes
    changes: list[Change]
    contents: list[Contents]
    bounds: list[tuple[int, int]]
    refused: int

    def allowed(self, change: Change) -> list[Contents]:
        first, last = self.bounds[change.call]
        return self.contents[first : last + 1]


def tell(setting: Setting, calls: list[Call]) -> Story:
    """Run the calls once and note everything. Those that lack room are left out of the truth."""
    notes = Notes()
    flash = NorFlash(**setting.flash, faults=notes)
    store = Store.format(flash, StoreConfig(**setting.config))
    hands, truth = Hands(store), Truth(store._volume.state.layout.buffer_bytes)
    notes.changes.clear()
    image = flash.image()
    contents, bounds, refused = [truth.durable()], [], 0
    for number, call in enumerate(calls):
        notes.call = number
        first = len(contents) - 1
        try:
            hands.perform(call)
        except OSError as error:
            assert error.errno == errno.ENOSPC  # noqa: PT017 - a full store refuses, and the story goes on
            refused += 1
        else:
            contents += truth.after(call)
        bounds.append((first, len(contents) - 1))
    return Story(setting, image, notes.changes, contents, bounds, refused)


def read_all(store: Store) -> Contents:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall()
    return found


def random_calls(random: Random, count: int, names: str = "abcd", extent: int = 120) -> list[Call]:
    """Whole rewrites, appends, updates in place, gaps, truncations, removals and renames of a few short files."""
    calls: list[Call] = []
    sizes: dict[str, int] = {}
    for _ in range(count):
        name = random.choice(names)
        chance = random.random()
        if chance < 0.6 or name not in sizes:
            calls += _writing(random, name, sizes, extent)
        elif chance < 0.7:
            calls.append(("remove", name))
            del sizes[name]
        elif chance < 0.85:
            new = random.choice(names)
            if new != name:
                calls.append(("rename", name, new))
                sizes[new] = sizes.pop(name)
        else:
            sizes[name] = random.choice((0, sizes[name] // 2, sizes[name] + 9))
            calls.append(("truncate", name, sizes[name]))
    return calls


def _writing(random: Random, name: str, sizes: dict[str, int], extent: int) -> list[Call]:
    mode = random.choice(("w", "a", "r+", "r+") if name in sizes else "waa")
    if mode == "w":
        sizes[name] = 0
    size = sizes.get(name, 0)
    calls: list[Call] = [("open", name, mode)]
    for _ in range(random.choice((1, 1, 2))):
        data = random.randbytes(random.choice((1, 8, 20, 40, random.randrange(1, extent))))
        offset = random.randrange(size + 1 + random.choice((0, 0, 20))) if mode == "r+" else None
        calls.append(("write", name, offset, data))
        size = max(size, (size if offset is None else offset) + len(data))
        if random.random() < 0.2:
            calls.append(("flush", name))
    calls.append(("close", name))
    if size > 3 * extent:
        size = random.randrange(extent)
        calls.append(("truncate", name, size))
    sizes[name] = size
    return calls
