"""Watches a run on a store: notes every program and erase, and every call with what it makes durable."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any, ClassVar

from simfs.files import Store
from simfs.files.handle import StoreFile
from simfs.files.names import Name, NameRule
from simfs.flash import NorFlash
from simfs.store.format.layout import buffer_bytes
from simfs.study.cuts.notes.durability import Persistence
from simfs.study.cuts.notes.history import Event, FileCall, History, Operation, read_all

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer


def record(store: Store, action: Callable[[Store], object], title: str = "") -> History:
    """Let `action` do its work on the store, once, and note it. See `Recorder.watch`."""
    recorder = Recorder()
    action(recorder.watch(store))
    return recorder.history(title)


class Recorder:
    """Notes one run, and hands it up as a `History`."""

    store: Store  # the one in use: a boot replaces it

    def __init__(self) -> None:
        self._calls: list[FileCall] = []
        self._events: list[Event] = []
        self._event_ends: list[int] = []
        self._operations: list[Operation] = []
        self._handles = 0

    def watch(self, store: Store) -> Store:
        """A store like this one to use in its place: formatted anew when this one was just formatted, else mounted on a
        copy of the flash, as after a boot. So nothing may wait in a buffer."""
        image, sheet = store.flash.image(), store.flash.datasheet
        contents = read_all(Store.mount(NorFlash.from_image(image, datasheet=sheet), read_only=True))
        self._start = (image, tuple(store.erase_counts), contents)
        self._config = store.config
        waits = buffer_bytes(store.config, sheet.page_bytes)
        self._persistence = Persistence(store.config, waits, contents)
        watched = _watched_by(self)
        self._flash = NorFlash(store.flash.geometry.block_count, datasheet=sheet, faults=self)
        self.store = watched.format(self._flash, store.config)
        self._operations.clear()
        if self._flash.image() != image:
            self._flash = NorFlash.from_image(image, datasheet=sheet, faults=self)
            self.store = watched.mount(self._flash)
        self.store.prefix = store.prefix
        return self.store

    def history(self, title: str) -> History:
        """All that was noted so far."""
        image, erase_counts, contents = self._start
        return History(
            title=title,
            datasheet=self._flash.datasheet,
            block_count=self._flash.geometry.block_count,
            config=self._config,
            image=image,
            erase_counts=erase_counts,
            contents=tuple(contents.items()),
            calls=tuple(self._calls),
            events=tuple(self._events),
            event_ends=tuple(self._event_ends),
            operations=tuple(self._operations),
        )

    def new_handle(self) -> int:
        self._handles += 1
        return self._handles

    @contextmanager
    def call(self, call: FileCall) -> Iterator[None]:
        """A call is being made; what it programs and erases meanwhile is for it."""
        before = len(self._operations)
        try:
            yield
        except OSError as error:
            self._note(replace(call, error=errno.errorcode.get(error.errno or 0, str(error.errno))))
            raise
        if call.kind != "idle" or len(self._operations) > before:
            self._note(call)

    def _note(self, call: FileCall) -> None:
        self._events += self._persistence.events_of(len(self._calls), call)
        self._calls.append(call)
        self._event_ends.append(len(self._events))

    # --- what a flash asks its fault plan ----------------------------------------------------------------------------

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        """Reading changes nothing."""

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._operations.append(Operation(address, bytes(data), len(self._calls)))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._operations.append(Operation(address, None, len(self._calls)))


class _WatchedFile(StoreFile):
    """An open file that tells the recorder what is done to it."""

    __slots__ = ("number",)

    _store: _WatchedStore

    def __init__(self, store: Store, *arguments: Any) -> None:
        super().__init__(store, *arguments)
        self.number = self._store.handle_opened

    def write(self, data: ReadableBuffer, /) -> int:
        taken = memoryview(data).cast("B").tobytes()
        if not self._writes or not taken:
            return super().write(taken)
        at = -1 if self._mode.appends else self._at
        with self._noted("write", at, taken):
            return super().write(taken)

    def truncate(self, size: int | None = None, /) -> int:
        with self._noted("truncate", self._at if size is None else size):
            return super().truncate(size)

    def flush(self) -> None:
        with self._noted("flush"):
            super().flush()

    def close(self) -> None:
        if not self.closed:
            with self._noted("close"):
                super().close()

    def _noted(self, kind: str, at: int = 0, data: bytes = b"") -> Any:
        return self._store.recorder.call(FileCall(kind, handle=self.number, at=at, data=data))


class _WatchedStore(Store):
    """A store that tells the recorder what is done to it."""

    file_type = _WatchedFile
    recorder: ClassVar[Recorder]
    handle_opened = 0

    @classmethod
    def mount(cls, flash: NorFlash, read_only: bool = False) -> Store:
        with cls.recorder.call(FileCall("mount")):
            cls.recorder.store.drop()  # who mounts has booted
            cls.recorder.store = super().mount(flash, read_only)
        return cls.recorder.store

    def open(self, name: Name, mode: str = "r") -> StoreFile:
        self.handle_opened = self.recorder.new_handle()
        with self.recorder.call(FileCall("open", self._full(name), self.handle_opened, mode)):
            return super().open(name, mode)

    def remove(self, name: Name) -> None:
        with self.recorder.call(FileCall("remove", self._full(name))):
            super().remove(name)

    def rename(self, old: Name, new: Name) -> None:
        with self.recorder.call(FileCall("rename", self._full(old), to=self._full(new))):
            super().rename(old, new)

    def truncate(self, name: Name, size: int) -> None:
        with self.recorder.call(FileCall("truncate", self._full(name), at=size)):
            super().truncate(name, size)

    def idle(self, budget_ns: int) -> int:
        with self.recorder.call(FileCall("idle", at=budget_ns)):
            return super().idle(budget_ns)

    def _full(self, name: Name) -> str:
        """The name as it stands on the flash; as given, when it can't."""
        rule = NameRule(self.config.name_bytes, self.config.overlong)
        try:
            return NameRule.decode(rule.encode(name, self.prefix))
        except (OSError, ValueError):
            return str(name)


def _watched_by(recorder: Recorder) -> type[_WatchedStore]:
    """A class of its own, since a boot mounts by the class of the store."""
    return type("WatchedStore", (_WatchedStore,), {"recorder": recorder})
