"""Observes a run: notes every program and erase, and every call with what it makes durable."""

from __future__ import annotations

import errno
import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from simfs.files.contract import AnyStore
from simfs.files.heard import FileCall
from simfs.files.names import NameRule
from simfs.files.store import Store, the_log
from simfs.flash import NorFlash
from simfs.replay.device.observer import Observer
from simfs.store.format.layout import buffer_bytes
from simfs.store.tables.listener import Cause
from simfs.study.cuts.notes.durability import Persistence
from simfs.study.cuts.notes.history import Event, History, Operation, read_all


def record(store: Store, action: Callable[[Store], object], title: str = "") -> History:
    """Let `action` do its work on the store once, and note it. See `Recorder.run_begins`."""
    recorder = Recorder()
    action(recorder.run_begins(store))
    return recorder.history(title)


class Recorder(Observer):
    """Notes one run, and gives it as a `History`."""

    def __init__(self) -> None:
        self._calls: list[FileCall] = []
        self._events: list[Event] = []
        self._event_ends: list[int] = []
        self._operations: list[Operation] = []

    def run_begins(self, store: AnyStore) -> Store:
        """The store, booted unless it was just formatted; so nothing may wait in a buffer."""
        store = the_log(store)
        store.listen(self)
        flash, config = store.flash, store.config
        image, sheet = flash.image(), flash.datasheet
        contents = read_all(Store.mount(NorFlash.from_image(image, datasheet=sheet), read_only=True))
        self._start = (image, tuple(store.erase_counts), contents)
        self._config, self._flash = config, flash
        self._rule = NameRule(config.name_bytes, config.overlong)
        self._persistence = Persistence(config, buffer_bytes(config, sheet.page_bytes), contents)
        store.listen_to_calls(self)
        blank = NorFlash(flash.geometry.block_count, datasheet=sheet)
        Store.format(blank, config)
        if blank.image() != image:
            store, prefix = store.boot(), store.prefix
            store.prefix = prefix
        return store

    def history(self, title: str) -> History:
        """Everything noted so far."""
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

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        self._operations.append(Operation(address, data, len(self._calls)))

    def erased(self, block: int, cause: Cause) -> None:
        self._operations.append(Operation(block * self._flash.geometry.block_bytes, None, len(self._calls)))

    @contextmanager
    def call(self, call: FileCall) -> Iterator[None]:
        """A call is being made; programs and erases meanwhile belong to it. A read changes nothing, and neither does a
        write of nothing, or one to a file that is not open for writing."""
        if call.kind == "read":
            yield
            return
        before = len(self._operations)
        try:
            yield
        except io.UnsupportedOperation:
            raise
        except OSError as error:
            self._note(replace(call, error=errno.errorcode.get(error.errno or 0, str(error.errno))))
            raise
        if call.kind not in ("idle", "write") or call.data or len(self._operations) > before:
            self._note(call)

    def _note(self, call: FileCall) -> None:
        call = replace(call, name=self._kept(call.name), to=self._kept(call.to))
        self._events += self._persistence.events_of(len(self._calls), call)
        self._calls.append(call)
        self._event_ends.append(len(self._events))

    def _kept(self, name: str) -> str:
        """The name as it is on the flash, or as given if it can't be there."""
        try:
            return NameRule.decode(self._rule.encode(name))
        except (OSError, ValueError):
            return name
