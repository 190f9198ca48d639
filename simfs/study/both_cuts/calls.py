"""Observes a run on flash and card: notes the calls of each operation, and does them again on copies."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from simfs.files.both.pair import Pair, both_of
from simfs.files.contract import AnyStore
from simfs.files.heard import Calls, FileCall
from simfs.replay.device.observer import Observer

QUIET = ("read", "idle")  # calls that change no file


@dataclass(frozen=True, slots=True)
class Deed:
    """One operation of the device: when it began, and its calls on the store. All files that it opens it closes."""

    task: str
    operation: str
    name: str
    at_ns: int
    calls: tuple[FileCall, ...]


@dataclass(frozen=True, slots=True)
class BothHistory:
    """A run: the store before it, of which nothing has changed since, and what was done to it."""

    title: str
    start: Pair
    deeds: tuple[Deed, ...]


class BothRecorder(Observer):
    """Notes one run on flash and card."""

    def __init__(self) -> None:
        self._calls: list[FileCall] = []
        self._deeds: list[Deed] = []
        self._begun: list[tuple[int, int]] = []

    def run_begins(self, store: AnyStore) -> AnyStore:
        """The store must be on both."""
        pair = both_of(store)
        if pair is None:
            raise ValueError("the store is not on flash and card")
        self._start = pair.copy(pair.flash.flash.copy(), pair.slot.absences)
        pair.calls = Calls(self)
        return store

    @contextmanager
    def call(self, call: FileCall) -> Iterator[None]:
        """A call is being made."""
        if call.kind not in QUIET:
            self._calls.append(call)
        yield

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self._begun.append((len(self._calls), at_ns))

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        first, began_ns = self._begun.pop()
        if len(self._calls) > first and not self._begun:
            self._deeds.append(Deed(task, operation, name, began_ns, tuple(self._calls[first:])))

    def history(self, title: str) -> BothHistory:
        """Everything noted so far."""
        return BothHistory(title, self._start, tuple(self._deeds))


def do(deed: Deed, pair: Pair) -> Pair:
    """Do an operation to a store, with what the store refuses refused again. A boot gives another store."""
    pair.begin(deed.at_ns)
    opened: dict[int, io.RawIOBase] = {}
    for call in deed.calls:
        if call.kind == "mount":
            booted = pair.boot()
            assert isinstance(booted, Pair)
            pair = booted
            continue
        with suppress(OSError):
            if call.handle:
                _to_file(call, pair, opened)
            else:
                _to_name(call, pair)
    return pair


def _to_name(call: FileCall, pair: Pair) -> None:
    match call.kind:
        case "remove":
            pair.remove(call.name)
        case "rename":
            pair.rename(call.name, call.to)
        case "truncate":
            pair.truncate(call.name, call.at)
        case "bring":
            pair.bring(call.name)


def _to_file(call: FileCall, pair: Pair, opened: dict[int, io.RawIOBase]) -> None:
    if call.kind == "open":
        opened[call.handle] = pair.open(call.name, call.mode)
        return
    file = opened.get(call.handle)
    if file is None:
        return
    match call.kind:
        case "write":
            if call.at >= 0:
                file.seek(call.at)
            file.write(call.data)
        case "truncate":
            file.truncate(call.at)
        case "flush":
            file.flush()
        case "close":
            file.close()
