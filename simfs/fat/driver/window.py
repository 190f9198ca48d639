"""The one sector of table and directories that the driver keeps in RAM."""

from __future__ import annotations

from simfs.fat.card.card import Card
from simfs.fat.format.layout import Layout


class Window:
    """Holds one sector. A changed one is written when another is wanted, and at `flush`; one of the table goes to each
    copy, the first copy first."""

    def __init__(self, card: Card, layout: Layout) -> None:
        self.card = card
        self.sector = -1
        self.data = bytearray()
        self.is_changed = False
        self._copies = layout.table_starts
        self._table_end = layout.table_starts[0] + layout.table_sectors

    def load(self, sector: int) -> bytearray:
        """The bytes of a sector, to be read or changed. One read, none if it is here; before it, one write or one for
        each copy of the table, if what was here had changed."""
        if sector != self.sector:
            if self.is_changed:
                self.flush()
            self.sector = -1  # also if the read fails
            self.data = bytearray(self.card.read(sector))
            self.sector = sector
        return self.data

    def change(self, sector: int) -> bytearray:
        """The same, and what is here will be written."""
        data = self.load(sector)
        self.is_changed = True
        return data

    def flush(self) -> None:
        """Write what has changed."""
        if not self.is_changed:
            return
        self.is_changed = False
        data, first = bytes(self.data), self._copies[0]
        if first <= self.sector < self._table_end:
            for start in self._copies:
                self.card.write(self.sector - first + start, data)
        else:
            self.card.write(self.sector, data)

    def write_past(self, sector: int, data: bytes) -> None:
        """Write a sector that is not here."""
        if sector == self.sector:
            self.sector, self.is_changed = -1, False
        self.card.write(sector, data)

    def take(self, other: Window) -> None:
        """Hold what another one holds."""
        self.sector, self.data, self.is_changed = other.sector, bytearray(other.data), other.is_changed
