"""Writes that a mount does together: nobody can tell them from those which are done one by one."""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.bridges.mount.deferred import BYTES_MAX, COUNT_MAX
from simfs.bridges.mount.operations import Operations
from simfs.bridges.mount.saving import Saving
from simfs.bridges.mount.store import MountedStore
from simfs.bridges.mount.tree import Handle
from simfs.files.contract import AnyStore
from simfs.files.model import Model

NEW = os.O_RDWR | os.O_CREAT
SECOND_NS = 10**9


class OneByOne(MountedStore):
    """Every write is done at once."""

    def defer(self, handle: Handle, offset: int, data: bytes) -> bool:
        return False


class Programs:
    """What programs do on a mount, drawn at random, and what they are told."""

    def __init__(self, kind: type[MountedStore], store: AnyStore, seed: int) -> None:
        self.draw, self.now_ns = random.Random(seed), 1_900_000_000 * SECOND_NS
        self.calls = Operations(kind(store, (0, 0), lambda: self.now_ns))
        self.handles: list[tuple[int, str]] = []
        self.ends: dict[int, int] = {}
        self.told: list[object] = []

    def tell(self, call: Callable[..., object], *given: object) -> object:
        try:
            found = call(*given)
        except OSError as error:
            self.told.append(error.errno)
            return None
        self.told.append(found)
        return found

    def open(self) -> None:
        path = f"/{self.draw.randrange(4)}"
        call = self.calls.open if self.calls.mounted.find(path) else self.calls.create
        flags = self.draw.choice((NEW, NEW, NEW | os.O_APPEND, NEW | os.O_TRUNC, os.O_RDONLY))
        handle = self.tell(*((call, path, flags) if call == self.calls.open else (call, path, 0o644, flags)))
        if isinstance(handle, int):
            self.handles.append((handle, path))
            self.ends[handle] = 0

    def write_many(self) -> None:
        handle, _ = self.draw.choice(self.handles)
        size = self.draw.choice((1, 20, 64, 100, 255, 256, 257, 700, 4096))
        if self.draw.random() < 0.3:
            self.ends[handle] = self.draw.choice((0, 10, 300, 5000))
        for number in range(self.draw.choice((1, 2, 5, 40, 300))):
            self.now_ns += self.draw.choice((0, 1000, SECOND_NS))
            if isinstance(
                self.tell(self.calls.write, None, bytes([number % 256]) * size, self.ends[handle], handle), int
            ):
                self.ends[handle] += size

    def step(self) -> None:
        if not self.handles or (len(self.handles) < 3 and self.draw.random() < 0.3):
            self.open()
            return
        handle, path = self.draw.choice(self.handles)
        calls, kind = self.calls, self.draw.randrange(12)
        if kind < 5:
            self.write_many()
        elif kind == 5:
            self.tell(calls.read, None, 5000, self.draw.choice((0, 300)), handle)
        elif kind == 6:
            self.tell(lambda: calls.getattr(None, handle)["st_size"])
        elif kind == 7:
            self.tell(calls.fsync, None, 0, handle)
        elif kind == 8:
            self.tell(calls.truncate, None, self.draw.choice((0, 100, 3000)), handle)
        elif kind == 9:
            if self.draw.random() < 0.5 and calls.mounted.find(path):
                self.tell(calls.rename, path, f"/.fuse_hidden{len(self.told):x}")  # its removal
            else:
                self.tell(calls.rename, path, f"/{self.draw.randrange(6)}")
        elif kind == 10:
            self.tell(calls.statfs, "/")
            self.tell(lambda: calls.mounted.device.busy_with)
        else:
            self.handles.remove((handle, path))
            self.tell(calls.release, None, handle)

    def play(self, steps: int) -> list[object]:
        for _ in range(steps):
            self.now_ns += 1000
            self.step()
        self.calls.close_all()
        run, _ = self.calls.mounted.finish("", "")
        return [
            *self.told,
            self.calls.mounted.device.names_used,
            run.tasks,
            run.writes,
            run.refusals,
            run.duration_ns,
            run.boots,
            run.room.__dict__,
        ]


def store_of(blocks: int, **settings: object) -> Store:
    return Store.format(NorFlash(blocks), StoreConfig(open_files_max=3, **settings))  # type: ignore[arg-type]


@pytest.mark.parametrize("settings", [{}, {"idle_cleaning": True, "log_heads": 2}, {"packing": "page"}])
@pytest.mark.parametrize("blocks", [12, 200])
def test_calls_and_notes_and_bytes_are_those_of_writes_done_one_by_one(
    blocks: int, settings: dict[str, object]
) -> None:
    for seed in range(4):
        ours, plain = (store_of(blocks, **settings) for _ in range(2))
        deferred = Programs(MountedStore, ours, seed).play(60)
        assert deferred == Programs(OneByOne, plain, seed).play(60)
        assert ours.flash.image() == plain.flash.image()
        assert ours.check() == []


def test_a_full_store_refuses_the_same_write() -> None:
    ours, plain = (store_of(16) for _ in range(2))
    told = []
    for kind, store in ((MountedStore, ours), (OneByOne, plain)):
        programs = Programs(kind, store, 0)
        handle = programs.calls.create("/a", 0o644, NEW)
        for at in range(0, 80_000, 100):
            programs.tell(programs.calls.write, None, bytes(100), at, handle)
        told.append(programs.told)
    assert told[0] == told[1]
    assert {100, 28} == set(told[0])


def waits(calls: Operations) -> bool:
    return bool(calls.mounted._deferred)


def test_writes_wait_only_as_long_as_nothing_else_is_asked(tmp_path: Path) -> None:
    store = store_of(200)
    mounted = MountedStore(store, (0, 0))
    calls = Operations(mounted)
    handle = calls.create("/a", 0o644, NEW)
    asked: list[Callable[[], object]] = [
        lambda: calls.getattr("/a"), lambda: calls.read(None, 10, 0, handle), lambda: calls.flush(None, handle),
        lambda: calls.statfs("/"), lambda: calls.truncate("/a", 100), lambda: calls.write(None, b"x", 3, handle),
        Saving(mounted, str(tmp_path / "flash.bin")).save,
    ]  # fmt: skip
    for ask in asked:
        calls.write(None, b"record" * 8, 2, handle)  # what follows no other is done at once
        calls.write(None, b"record" * 100, 50, handle)
        assert waits(calls)
        ask()
        assert store.stat("/a").size_bytes >= 100
    calls.mounted.finish("", "")
    assert not waits(calls)


def test_no_more_wait_than_a_few() -> None:
    calls = Operations(MountedStore(store_of(200), (0, 0)))
    handle = calls.create("/a", 0o644, NEW)
    done = calls.mounted.device.tasks["(host)"].operations
    for number in range(COUNT_MAX + 2):
        calls.write(None, b"x", number, handle)
    assert done["write"] == 1 + COUNT_MAX
    calls.write(None, bytes(BYTES_MAX + 1), COUNT_MAX + 2, handle)
    assert done["write"] == COUNT_MAX + 3


def test_a_write_that_follows_no_other_is_done_at_once() -> None:
    calls = Operations(MountedStore(store_of(200), (0, 0)))
    handle = calls.create("/a", 0o644, NEW)
    for offset in (0, 5, 3):
        calls.write(None, b"x", offset, handle)
        assert not waits(calls)


def test_other_stores_do_each_write_at_once() -> None:
    calls = Operations(MountedStore(Model(), (0, 0)))
    handle = calls.create("/a", 0o644, NEW)
    assert calls.write(None, b"x", 0, handle) == 1
    assert not waits(calls)


def test_writes_to_a_file_of_another_name_by_now_are_noted_under_that() -> None:
    calls = Operations(MountedStore(store_of(200), (0, 0)))
    handle = calls.create("/a", 0o644, NEW)
    calls.rename("/a", "/b")
    for number in range(3):
        calls.write(None, b"x", number, handle)
    assert calls.getattr("/b")["st_size"] == 3
    assert "/b" in calls.mounted.device.names_used
