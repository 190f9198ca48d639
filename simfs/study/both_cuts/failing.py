"""Makes the power fail, or the card go, at one change of a store on flash and card."""

from __future__ import annotations

from simfs.fat.card.card import CardGone
from simfs.files.both.slot import Slot
from simfs.flash.faults import FaultHooks, PowerCut
from simfs.flash.geometry import Geometry
from simfs.flash.interrupted import Profile, left_by
from simfs.flash.trace import Change

NEVER = 1 << 60
HALF = {True: "bits half", False: "rising half"}  # what a cut within a program leaves, and within an erase


class Supply(FaultHooks):
    """The power of a flash. It fails in a change that somebody names, or when somebody says `fail`."""

    def __init__(self) -> None:
        self.changes = 0
        self._at, self._within, self.is_off = NEVER, False, False

    def attach(self, geometry: Geometry, datasheet: object) -> None:
        self._geometry = geometry

    def fail_in(self, changes: int, *, within: bool) -> None:
        """The power will go in a change, after so many more: before it, or in its middle."""
        self._at, self._within = self.changes + changes, within

    def fail(self) -> None:
        """The power goes now."""
        self.is_off = True

    def power_on(self, cells: memoryview) -> None:
        self.is_off, self._at = False, NEVER

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        if self.is_off:
            raise PowerCut

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._before(cells, Change(address, data))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._before(cells, Change(address, None))

    def _before(self, cells: memoryview, change: Change) -> None:
        if self.is_off:
            raise PowerCut
        if self.changes == self._at:
            if self._within:
                leaves = HALF[change.data is not None]
                address, left = left_by(change, cells, leaves, self._at, Profile.PROGRAM, self._geometry)
                cells[address : address + len(left)] = left
            self.is_off = True
            raise PowerCut
        self.changes += 1


class CardGate:
    """Stands before a slot. At sector write number `at` the power fails, or the card goes (`pulls`); `within`: the
    sector can't be read afterwards. What was written is counted, and `sector` is the one that was hit."""

    def __init__(
        self, slot: Slot, supply: Supply, at: int = NEVER, *, within: bool = False, pulls: bool = False
    ) -> None:
        self.sectors: list[int] = []
        self.sector = -1
        self._slot, self._supply, self._at, self._within, self._pulls = slot, supply, at, within, pulls
        slot.card.gate = self

    def before_read(self, sector: int) -> None:
        """See `Gate`."""
        if self._supply.is_off:
            raise PowerCut
        self._slot.before_read(sector)

    def before_write(self, sector: int) -> None:
        """See `Gate`."""
        if self._supply.is_off:
            raise PowerCut
        self._slot.before_write(sector)
        if len(self.sectors) == self._at and self.sector < 0:
            self.sector = sector
            self._fail(sector)
        self.sectors.append(sector)

    def open(self) -> None:
        """Stand here no more."""
        self._slot.card.gate = self._slot

    def _fail(self, sector: int) -> None:
        if self._pulls:
            self._slot.pull(sector, torn=self._within)
            raise CardGone
        if self._within:
            self._slot.card.unreadable.add(sector)
        self._supply.fail()
        raise PowerCut
