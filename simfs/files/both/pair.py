"""What both roles of a card beside a flash have in common: one store of files on the two."""

from __future__ import annotations

import errno
import io
import os
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, suppress

from simfs.fat.card.card import CardGone
from simfs.files.both.absences import Absences
from simfs.files.both.both_file import BothFile, no_room
from simfs.files.both.both_medium import BothMedium, BothMeters, Readings
from simfs.files.both.notes import NOTES, Notes
from simfs.files.both.slot import Slot
from simfs.files.card_names import CardNames, path_of
from simfs.files.card_store import CardStore
from simfs.files.contract import CANNOT, AnyStore, Settings, Spent, Stat
from simfs.files.heard import NOT_TOLD, Calls, HeardFile
from simfs.files.memory_medium import MemoryUsage
from simfs.files.modes import Mode, parse_mode
from simfs.files.names import Name, NameRule
from simfs.files.store import Store
from simfs.flash import NorFlash


class Pair(ABC):
    """An `AnyStore` on flash and card. Whoever drives it says with `begin` when each operation begins, and lets it
    `bring` what is `waiting` to the card. What the flash has acknowledged counts; what the card refuses, or can't take
    because it is out, waits on the flash."""

    cannot: Mapping[str, int] = CANNOT
    role = words = ""

    def __init__(self, flash: Store, card: CardStore, slot: Slot) -> None:
        self.flash, self.card, self.slot = flash, card, slot
        self.medium = BothMedium(flash.medium, card.medium)
        self.meters = BothMeters(flash.meters, card.meters)
        rule = NameRule(card.config.name_bytes, card.config.overlong, True, self._note_cut)
        self.name_rules = CardNames(rule)
        self.readings, self.notes = Readings(), Notes(flash)
        self.prefix = ""
        self.files_open = 0
        self.dropped = False
        self.follower: Callable[[Pair], None] | None = None  # is told of the store that a boot gives
        self.calls: Calls | None = None  # who is told of each call
        self._outs_seen = slot.outs
        slot.spent_ns, slot.readings_on_card = self._timer(), self.readings.on_card

    @abstractmethod
    def waiting(self) -> list[str]:
        """The names of files that are to be brought to the card, if it is in."""

    @abstractmethod
    def _bring(self, name: str) -> None: ...
    @abstractmethod
    def _remove(self, name: Name) -> None: ...
    @abstractmethod
    def _rename(self, old: Name, new: Name) -> None: ...
    @abstractmethod
    def _truncate(self, name: Name, size: int) -> None: ...

    @abstractmethod
    def _settle_notes(self, *, booted: bool) -> None:
        """Act on the notes, with the card in: after a reset, or once it is back."""

    @abstractmethod
    def _opened(self, name: str, shown: Name, mode: Mode) -> BothFile:
        """Open a file; `name` is the full one, `shown` as it was given."""

    @abstractmethod
    def twin(self, flash: Store, card: CardStore, slot: Slot) -> Pair:
        """A store with the same settings on other media."""

    def begin(self, at_ns: int) -> None:
        """An operation begins at that device time. If the card was out since the last one and is in: mounts it, and
        acts on the notes."""
        self.slot.begin(at_ns)
        self.slot.spent_ns = self._timer()
        if self.slot.is_in and self.slot.outs != self._outs_seen:
            self._outs_seen = self.slot.outs
            self._mount_card()
            with suppress(CardGone):
                self._settle_notes(booted=False)

    def bring(self, name: str) -> None:
        """Bring one file to the card. If that goes meanwhile or refuses, the flash still has it."""
        with self._call("bring", name):
            self._bring(name)

    def remove(self, name: Name) -> None:
        """See `AnyStore`."""
        with self._call("remove", name):
            self._remove(name)

    def rename(self, old: Name, new: Name) -> None:
        """See `AnyStore`."""
        with self._call("rename", old, to=new):
            self._rename(old, new)

    def truncate(self, name: Name, size: int) -> None:
        """See `AnyStore`."""
        with self._call("truncate", name, at=size):
            self._truncate(name, size)

    def open(self, name: Name, mode: str = "r") -> io.RawIOBase:
        """See `AnyStore`. EPERM for the firmware's own notes."""
        if self.calls is None:
            return self._open(name, mode)
        with self.calls.opening(name, self.prefix, mode):
            return HeardFile(self._open(name, mode), self.calls)

    def _open(self, name: Name, mode: str) -> BothFile:
        meaning = parse_mode(mode)
        full = self.full(name)
        if full == NOTES:
            raise OSError(errno.EPERM, os.strerror(errno.EPERM), name)
        if self.files_open >= self.card.config.open_files_max:
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE), name)
        try:
            file = self._opened(full, name, meaning)
        except OSError as error:
            self.refused(error)
            raise
        self.files_open += 1
        return file

    def full(self, name: Name) -> str:
        """The name as both media have it: a path from the root on."""
        return "/" + "/".join(path_of(NameRule.decode(self.name_rules.encode(name, self.prefix))))

    def exists(self, name: Name) -> bool:
        try:
            self.stat(name)
        except (OSError, ValueError):
            return False
        return True

    def stat(self, name: Name) -> Stat:
        return self.flash.stat(self.full(name))

    def names(self, prefix: str = "") -> list[str]:
        return [name for name in self.flash.names(prefix) if name != NOTES]

    def usage(self) -> MemoryUsage:
        """Room in bytes, on both together."""
        one, other = self.flash.usage(), self.card.usage()
        return MemoryUsage(
            one.capacity_bytes + other.capacity_bytes, one.live_bytes + other.live_bytes, one.dead_bytes,
            one.blank_bytes + other.blank_bytes,
        )  # fmt: skip

    def file_room(self) -> tuple[int, int]:
        return self.flash.file_room()

    @property
    def live_bytes(self) -> int:
        return self.flash.live_bytes + self.card.live_bytes

    @property
    def removed_names_bytes(self) -> int:
        return self.flash.removed_names_bytes

    @property
    def read_only(self) -> bool:
        return self.flash.read_only

    @property
    def uses_idle_time(self) -> bool:
        return self.flash.uses_idle_time

    def idle(self, budget_ns: int) -> int:
        return self.flash.idle(budget_ns)

    def ram(self) -> dict[str, int]:
        """What both need on the device."""
        return self.flash.ram() | {f"card {name}": size_bytes for name, size_bytes in self.card.ram().items()}

    def check(self) -> list[str]:
        """What is wrong on the flash, and on the card if it is in."""
        on_card = [f"card: {what}" for what in self.card.check()] if self.slot.is_in else []
        return self.flash.check() + on_card

    @property
    def settings(self) -> Settings:
        of_flash, of_card = self.flash.settings, self.card.settings
        return Settings(
            {"role": self.role, "flash": dict(of_flash), "card": dict(of_card)},
            medium=self.medium.kind,
            words=(self.words,),
            nearer=f"{of_flash.nearer}; {of_card.nearer}",
            erase_hint=of_flash.erase_hint,
            program="program or sector write",
        )

    def drop(self) -> None:
        """Let go of the store, as a reset does."""
        self.dropped = True
        self.flash.drop()
        self.card.drop()

    def boot(self) -> AnyStore:
        """See `AnyStore`. Mounts both, and acts on the notes."""
        self.dropped = True
        with self._call("mount", ""):
            return self._booted()

    def _booted(self) -> Pair:
        flash = self.flash.boot()
        self.card.drop()
        again = self.twin(flash, self.card, self.slot)
        again.readings, again.meters = self.readings, self.meters.on(flash.meters, self.card.meters)
        self.slot.readings_on_card = again.readings.on_card
        again.prefix, again._outs_seen = self.prefix, self._outs_seen
        again.follower, again.calls = self.follower, self.calls
        if self.follower is not None:
            self.follower(again)
        again.started()
        return again

    def started(self) -> None:
        """What the firmware does once both are mounted after a reset."""
        if self.slot.is_in:
            self._mount_card()
        self._take_notes()
        if self.slot.is_in:
            with suppress(CardGone):
                self._settle_notes(booted=True)

    @abstractmethod
    def _take_notes(self) -> None:
        """Read the notes after a reset."""

    def copy(self, flash: NorFlash, absences: Absences) -> Pair:
        """The same on `flash`, which holds what this one's does, and on a copy of the card: as a firmware has it that
        has read its notes and acted on none yet."""
        card = CardStore.mount(self.slot.card.copy(), self.card.config)
        slot = Slot(card.card, absences, self.slot.write_ns)
        slot.is_in, slot.is_torn = self.slot.is_in, self.slot.is_torn
        again = self.twin(Store.mount(flash), card, slot)
        again.prefix = self.prefix
        again._take_notes()
        return again

    def cost_of_boot(self) -> Spent:
        """See `AnyStore`. Tried on copies of both."""
        again = self.copy(self.flash.flash.copy(), Absences())
        before = again.medium.mark()
        again.started()
        cost, of_flash = again.medium.since(before), self.flash.cost_of_boot()
        return Spent(*(one + other for one, other in zip(cost, of_flash, strict=True)))

    def refused(self, error: OSError) -> None:
        """A file tells that the flash took no reading."""
        self.readings.refused += no_room(error)

    def card_refused(self, error: OSError) -> None:
        """The card is in and does not do what it should. The flash has it."""
        self.readings.card_refused += 1
        if no_room(error) and self.readings.card_full_ns is None:
            self.readings.card_full_ns = self.slot.now_ns()

    def closed(self) -> None:
        """A file tells that it was closed."""
        self.files_open -= 1

    def wrote(self, size_bytes: int) -> None:
        """A file tells that the flash took a reading."""
        self.meters.host_bytes += size_bytes
        self.readings.written += 1

    def _mount_card(self) -> None:
        """What the driver had in RAM counts no more."""
        self.card.drop()
        meters, self.card = self.card.meters, CardStore.mount(self.slot.card, self.card.config)
        self.card.meters = meters
        self.medium.card = self.card.medium

    def _timer(self) -> Callable[[], int]:
        """What both media took since now, ns."""
        medium, mark = self.medium, self.medium.mark()

        def spent_ns() -> int:
            spent = medium.since(mark)
            return spent[5] + spent[7]

        return spent_ns

    def _call(self, kind: str, name: Name, *, at: int = 0, to: Name = "") -> AbstractContextManager[None]:
        return NOT_TOLD if self.calls is None else self.calls.named(kind, name, self.prefix, at=at, to=to)

    def _note_cut(self, _name: bytes) -> None:
        self.meters.names_cut += 1


def both_of(store: AnyStore) -> Pair | None:
    """The store as one on flash and card, for what only such a one has; None for any other kind."""
    return store if isinstance(store, Pair) else None
