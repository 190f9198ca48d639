"""The slot of a card: it knows the time within an operation, and lets nothing through once the card is out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from simfs.fat.card.card import BLANK, Card, CardGone, Unreadable
from simfs.fat.checking.mend import mend
from simfs.files.both.absences import Absences


@dataclass(frozen=True, slots=True)
class Pull:
    """The card went in the middle of an operation that had written to it, or within a write.

    before  the card as it was when that operation began
    left    the card as it was taken out; a sector in whose write it went can't be read
    sizes   by file: the sizes of the readings that were on the card alone
    """

    at_ns: int
    sectors_written: int
    torn: bool
    before: Card
    left: Card
    sizes: Mapping[str, tuple[int, ...]]


class Slot:
    """The gate of a card. `begin` says when each operation begins; what the media took since then, `spent_ns`, is added
    to that. A card that went within an operation comes back as a check at a desk mends it."""

    def __init__(self, card: Card, absences: Absences, write_ns: int) -> None:
        self.card, self.absences = card, absences
        self.pulls: list[Pull] = []
        self.outs = 0  # how often the card went
        self.is_in = True
        self.readings_on_card: Mapping[str, list[int]] = {}  # by file, as `Readings` has it
        self.spent_ns: Callable[[], int] = lambda: 0
        self.write_ns = write_ns
        self._began_ns, self._next_ns = 0, absences.next_ns(0)
        self._before: dict[int, bytes | None] = {}  # the sectors that this operation wrote, as they were
        self._written = 0  # sector writes of this operation
        self.is_torn = False  # it went in the middle of an operation, and was not mended yet
        self._went_ns = 0
        card.gate = self

    def begin(self, at_ns: int) -> None:
        """An operation begins at that device time: the card may have gone since the last one, or be back."""
        self._began_ns = at_ns
        self._before.clear()
        self._written = 0
        if self._next_ns is not None and self._next_ns <= at_ns:
            self._go()
        now_ns = max(at_ns, self._went_ns)  # the write in which it went took no time, so that may be a moment later
        if not self.is_in and not self.absences.covers(now_ns):
            if self.is_torn:
                self._mend()
            self.is_in = True
        self._next_ns = self.absences.next_ns(now_ns if self.is_in else now_ns + 1)

    def before_read(self, sector: int) -> None:
        """See `Gate`."""
        if self.is_in and self._goes_by(self.now_ns()):
            self._note_pull(torn=False)
            self._go()
        if not self.is_in:
            raise CardGone

    def before_write(self, sector: int) -> None:
        """See `Gate`. A card that goes while a sector is written leaves one that can't be read."""
        now_ns = self.now_ns()
        if self.is_in and self._goes_by(now_ns + self.write_ns):
            self.pull(sector, torn=not self._goes_by(now_ns))
        if not self.is_in:
            raise CardGone
        self._keep(sector)
        self._written += 1

    def pull(self, sector: int, *, torn: bool) -> None:
        """The card goes: before a sector is written, or within that write."""
        if torn:
            self._keep(sector)
            self.card.unreadable.add(sector)
        self._note_pull(torn=torn)
        self._go()

    def now_ns(self) -> int:
        """The device time within the operation."""
        return self._began_ns + self.spent_ns()

    def _goes_by(self, at_ns: int) -> bool:
        return self._next_ns is not None and self._next_ns < at_ns

    def _go(self) -> None:
        if self.is_in:
            self.outs += 1
            self._went_ns = self._next_ns or 0
        self.is_in = False

    def _keep(self, sector: int) -> None:
        if sector not in self._before:
            try:
                self._before[sector] = self.card.look(sector)
            except Unreadable:
                self._before[sector] = None

    def _note_pull(self, *, torn: bool) -> None:
        if not self._before:
            return
        before, left = self.card.copy(), self.card.copy()
        for sector, data in self._before.items():
            before.write(sector, BLANK if data is None else data)
            if data is None:
                before.unreadable.add(sector)
        sizes = {name: tuple(each) for name, each in self.readings_on_card.items()}
        self.pulls.append(Pull(self._next_ns or 0, self._written, torn, before, left, sizes))
        self.is_torn = True

    def _mend(self) -> None:
        self.card.gate = None
        reads, writes = self.card.reads, self.card.writes
        mend(self.card)
        self.card.reads, self.card.writes = reads, writes  # done at a desk
        self.card.gate = self
        self.is_torn = False
