"""A flash as the buffer before a card: readings wait on the flash, and are drained to the card while it is in."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable
from contextlib import suppress

from simfs.fat.card.card import CardGone
from simfs.files.both.both_file import BothFile, read_at, size_of
from simfs.files.both.pair import Pair
from simfs.files.both.slot import Slot
from simfs.files.card_store import CardStore
from simfs.files.contract import Stat
from simfs.files.modes import Mode
from simfs.files.names import Name
from simfs.files.opened.stream import Stream
from simfs.files.store import Store

PIECE_BYTES = 4096


class DrainedFile(BothFile):
    """Readings: those on the card come first, then those that wait on the flash. It is only read and appended to. One
    that is open for append alone stands at the end of what waits, and asks the card for nothing."""

    _store: Buffer

    def __init__(
        self, store: Buffer, on_card: Stream | None, on_flash: Stream | None, full: str, name: Name, mode: Mode
    ) -> None:
        self._on_card, self._full = on_card, full
        self._card_bytes = size_of(on_card)
        super().__init__(store, on_flash, name, mode)

    def _size(self) -> int:
        return self._card_bytes + super()._size()

    def _get(self, at: int, length: int) -> bytes:
        first = read_at(self._on_card, at, min(length, self._card_bytes - at))
        return first + super()._get(max(0, at - self._card_bytes), length - len(first))

    def _put(self, at: int, data: bytes) -> None:
        super()._put(at - self._card_bytes, data)
        self._store.readings.wait(self._full, [len(data)])

    def _resize(self, size_bytes: int) -> None:
        raise _only_appended(self.name)

    def _let_go(self) -> None:
        try:
            super()._let_go()
        finally:
            if self._on_card is not None:
                with suppress(CardGone):
                    self._on_card.close()


class Buffer(Pair):
    """See `Pair`. Names that begin with one of `drained` are readings; all other files stay on the flash.

    A drain appends what waits of a file to the card, closes it there, and then removes it from the flash. Before that
    it notes on the flash how long the file on the card was, so that a reset in between repeats no reading: what got
    there is cut off again, and drained anew. A flash that is full has no room for that note, and drains without.
    """

    role, words = "buffer", "the flash is a buffer before the card"

    def __init__(self, flash: Store, card: CardStore, slot: Slot, drained: Iterable[str]) -> None:
        super().__init__(flash, card, slot)
        self.drained = tuple(drained)
        self._begins = tuple(begin.lower() for begin in self.drained)
        self._half_done = ""  # the file whose drain the notes are about

    def twin(self, flash: Store, card: CardStore, slot: Slot) -> Buffer:
        return Buffer(flash, card, slot, self.drained)

    def is_drained(self, full: str) -> bool:
        """Whether a file is one of readings."""
        return full.lower().startswith(self._begins)

    def waiting(self) -> list[str]:
        return [name for name in self.flash.names() if self.is_drained(name)] if self.slot.is_in else []

    def _bring(self, name: str) -> None:
        """Drain one file."""
        try:
            size_bytes = self.card.stat(name).size_bytes if self.card.exists(name) else 0
            self.notes.put(f"{size_bytes} {name}")
            self._half_done = name
            self._append_to_card(name)
        except CardGone:
            return
        except OSError as error:
            self.card_refused(error)
            with suppress(CardGone):
                self._settle_notes(booted=False)
            return
        self.flash.remove(name)
        self._done()
        self.readings.on_card.setdefault(name, []).extend(self.readings.waiting.pop(name, []))

    def stat(self, name: Name) -> Stat:
        """See `AnyStore`. Without the card, of readings only what waits."""
        full = self.full(name)
        if not self._card_has(full):
            return self.flash.stat(full)
        size_bytes = self.card.stat(full).size_bytes
        if self.flash.exists(full):
            size_bytes += self.flash.stat(full).size_bytes
        return Stat(size_bytes, size_bytes)

    def names(self, prefix: str = "") -> list[str]:
        """See `AnyStore`. Without the card, of readings only those with something that waits."""
        names = set(super().names(prefix))
        if self.slot.is_in:
            with suppress(CardGone):
                names.update(name for name in self.card.names(prefix) if self.is_drained(name))
        return sorted(names)

    def _remove(self, name: Name) -> None:
        """See `AnyStore`. Without the card, of readings only what waits."""
        full = self.full(name)
        on_card = self._card_has(full)
        if self.flash.exists(full) or not on_card:
            self.flash.remove(full)
        if full == self._half_done:
            self._done()
        self.readings.forget(full)
        if on_card:
            self.card.remove(full)

    def _rename(self, old: Name, new: Name) -> None:
        """See `AnyStore`. EOPNOTSUPP for readings."""
        before, after = self.full(old), self.full(new)
        self._check_kept(before, old)
        self._check_kept(after, new)
        self.flash.rename(before, after)

    def _truncate(self, name: Name, size: int) -> None:
        """See `AnyStore`. EOPNOTSUPP for readings."""
        full = self.full(name)
        self._check_kept(full, name)
        self.flash.truncate(full, size)

    def _opened(self, name: str, shown: Name, mode: Mode) -> BothFile:
        if not self.is_drained(name):
            return BothFile(self, self.flash.open(name, mode.text), shown, mode)
        if mode.writes and not mode.appends:
            raise _only_appended(shown)
        on_card = self.card.open(name) if mode.reads and self._card_has(name) else None
        if on_card is not None and not mode.writes and not self.flash.exists(name):
            return DrainedFile(self, on_card, None, name, shown, mode)
        return DrainedFile(self, on_card, self.flash.open(name, mode.text), name, shown, mode)

    def _card_has(self, full: str) -> bool:
        return self.slot.is_in and self.is_drained(full) and self.card.exists(full)

    def _check_kept(self, full: str, shown: Name) -> None:
        if self.is_drained(full):
            raise _only_appended(shown)

    def _append_to_card(self, name: str) -> None:
        with self.flash.open(name) as source, self.card.open(name, "a") as target:
            while piece := source.read(PIECE_BYTES):
                target.write(piece)

    def _take_notes(self) -> None:
        lines = self.notes.lines()
        self._half_done = lines[0].partition(" ")[2] if lines else ""
        if self._half_done and not self.flash.exists(self._half_done):
            self._done()  # it had come to its end

    def _settle_notes(self, *, booted: bool) -> None:
        lines = self.notes.lines()
        if not lines:
            return
        size_bytes, _, name = lines[0].partition(" ")
        if self.flash.exists(name) and self.card.exists(name) and self.card.stat(name).size_bytes > int(size_bytes):
            self.card.truncate(name, int(size_bytes))
        self._done()

    def _done(self) -> None:
        self._half_done = ""
        self.notes.drop()


def _only_appended(name: Name) -> OSError:
    return OSError(errno.EOPNOTSUPP, f"{os.strerror(errno.EOPNOTSUPP)}: readings are only appended to", name)
