"""A card as a mirror of the flash: every file operation goes to both, the flash first."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from simfs.fat.card.card import CardGone
from simfs.files.both.both_file import BothFile
from simfs.files.both.pair import Pair
from simfs.files.both.slot import Slot
from simfs.files.card_store import CardStore
from simfs.files.modes import Mode
from simfs.files.names import Name
from simfs.files.opened.stream import Stream
from simfs.files.store import Store

PIECE_BYTES = 4096
ALL = "*"  # in the notes: any file may be behind


class MirroredFile(BothFile):
    """Reads from the flash, and writes to both. When the card fails or goes, it goes on with the flash alone."""

    _store: Mirror

    def __init__(
        self, store: Mirror, on_flash: Stream, on_card: Stream | None, full: str, name: Name, mode: Mode
    ) -> None:
        self._on_card, self._full = on_card, full
        self._sizes = list[int]()  # of the readings that are not on the card for sure
        super().__init__(store, on_flash, name, mode)

    def _put(self, at: int, data: bytes) -> None:
        self._will_change()
        super()._put(at, data)
        self._sizes.append(len(data))

        def write(file: Stream) -> None:
            file.seek(at)
            file.write(data)

        self._mirror(write)

    def _resize(self, size_bytes: int) -> None:
        self._will_change()
        super()._resize(size_bytes)
        self._mirror(lambda file: file.truncate(size_bytes))

    def _settle(self) -> None:
        super()._settle()
        self._mirror(Stream.flush)
        if self._sizes and self._on_card is None:
            self._store.readings.wait(self._full, self._sizes)
        self._sizes = []

    def _let_go(self) -> None:
        try:
            super()._let_go()
        finally:
            self._mirror(Stream.close)

    def _will_change(self) -> None:
        if self._on_card is None:
            self._store.note_behind(self._full)

    def _mirror(self, action: Callable[[Stream], object]) -> None:
        if self._on_card is None:
            return
        try:
            action(self._on_card)
        except OSError as error:
            failed, self._on_card = self._on_card, None
            self._store.card_failed(error, self._full)
            with suppress(OSError):
                failed.close()


class Mirror(Pair):
    """See `Pair`. A file that the card does not have as the flash has it is *behind*: its name is noted on the flash
    before it changes, and it is copied whole once the card is in. After a reset all files are compared, byte by byte:
    one that was renamed over another, or written in place, may differ and have the same size."""

    role, words = "mirror", "the card is a mirror of the flash"

    def __init__(self, flash: Store, card: CardStore, slot: Slot) -> None:
        super().__init__(flash, card, slot)
        self._behind = set[str]()

    def twin(self, flash: Store, card: CardStore, slot: Slot) -> Mirror:
        return Mirror(flash, card, slot)

    def waiting(self) -> list[str]:
        return sorted(self._behind) if self.slot.is_in else []

    def _bring(self, name: str) -> None:
        """Copy a file whole, or take it away from the card."""
        try:
            if self.flash.exists(name):
                self._copy(name)
            elif self.card.exists(name):
                self.card.remove(name)
        except OSError as error:
            self.card_failed(error, name)
            return
        self.readings.waiting.pop(name, None)
        self._behind.discard(name)
        if not self._behind:
            self.notes.drop()

    def note_behind(self, name: str) -> None:
        """The card will not have this file as the flash has it. One append to the notes, the first time."""
        if name not in self._behind:
            self._behind.add(name)
            self.notes.add(name)

    def card_failed(self, error: OSError, *names: str) -> None:
        """The card refused an operation on these files. If it went meanwhile, any file of it may be spoilt."""
        if isinstance(error, CardGone):
            self._behind.update(self.names())
            self.notes.add(ALL)
        else:
            self.card_refused(error)
        for name in names:
            self.note_behind(name)

    def _remove(self, name: Name) -> None:
        """See `AnyStore`."""
        full = self.full(name)
        self._both(lambda store: store.remove(full), full)
        self.readings.forget(full)

    def _rename(self, old: Name, new: Name) -> None:
        """See `AnyStore`."""
        before, after = self.full(old), self.full(new)
        self._both(lambda store: store.rename(before, after), before, after)
        self.readings.rename(before, after)

    def _truncate(self, name: Name, size: int) -> None:
        """See `AnyStore`."""
        full = self.full(name)
        self._both(lambda store: store.truncate(full, size), full)

    def _both(self, action: Callable[[Store | CardStore], object], *names: str) -> None:
        on_card = self.slot.is_in and self._behind.isdisjoint(names)
        if not on_card and self.flash.exists(names[0]):
            for name in names:
                self.note_behind(name)
        action(self.flash)
        if on_card:
            try:
                action(self.card)
            except OSError as error:
                self.card_failed(error, *names)

    def _opened(self, name: str, shown: Name, mode: Mode) -> BothFile:
        on_card = mode.writes and self.slot.is_in and name not in self._behind
        if not on_card and mode.creates and (mode.truncates or not self.flash.exists(name)):
            self.note_behind(name)
        on_flash = self.flash.open(name, mode.text)
        if mode.truncates:
            self.readings.forget(name)
        card_file: Stream | None = None
        if on_card:
            try:
                card_file = self.card.open(name, mode.text)
            except OSError as error:
                self.card_failed(error, name)
        return MirroredFile(self, on_flash, card_file, name, shown, mode)

    def _copy(self, name: str) -> None:
        with self.flash.open(name) as source, self.card.open(name, "w") as target:
            while piece := source.read(PIECE_BYTES):
                target.write(piece)

    def _take_notes(self) -> None:
        lines = self.notes.lines()
        self._behind = set(lines) - {ALL}
        if ALL in lines:
            self._behind.update(self.names())

    def _settle_notes(self, *, booted: bool) -> None:
        if not booted:
            return
        try:
            self._compare()
        except CardGone:
            raise
        except OSError as error:  # a directory that can't be read
            self.card_failed(error, *self.names())

    def _is_alike(self, name: str) -> bool:
        """Whether the card has the file as the flash has it."""
        if self.card.stat(name).size_bytes != self.flash.stat(name).size_bytes:
            return False
        with self.flash.open(name) as own, self.card.open(name) as other:
            while piece := own.read(PIECE_BYTES):
                if piece != other.read(PIECE_BYTES):
                    return False
        return True

    def _compare(self) -> None:
        """Find out which files are behind. Reads all of both, but for those of different sizes."""
        names = {name.lower(): name for name in self.card.names() if not name.startswith("/LOST")}
        for name in self.names():
            on_card = names.pop(name.lower(), None)
            if on_card is None or not self._is_alike(name):
                self.note_behind(name)
        for name in names.values():
            self.note_behind(name)
