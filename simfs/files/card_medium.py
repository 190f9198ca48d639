"""A card as the medium of a store: its counters, with times and energy by its sheet."""

from __future__ import annotations

from collections.abc import Mapping

from simfs.fat.card.card import Card
from simfs.fat.card.sheet import FROM_SCENARIO, SECTOR_BYTES, SOURCES, CardSheet
from simfs.files.contract import Mark, SpentNow

NS_PER_S = 1_000_000_000
CURRENTS = {"read": "read_ua", "write": "write_ua", "rest": "standby_ua"}
USUAL = CardSheet()


class CardMedium:
    """The medium that is a `Card`. What a card erases inside it hides, so no erase is counted."""

    __slots__ = ("_cluster_bytes", "_cluster_count", "_read_ns", "_write_max_ns", "_write_ns", "card")

    kind = "card"
    is_timed = True

    def __init__(self, card: Card, cluster_bytes: int, cluster_count: int) -> None:
        sheet = card.sheet
        self.card = card
        self._cluster_bytes, self._cluster_count = cluster_bytes, cluster_count
        self._read_ns = sheet.read_typ_ns + sheet.wire_ns
        self._write_ns = sheet.write_typ_ns + sheet.wire_ns
        self._write_max_ns = sheet.write_max_ns + sheet.wire_ns

    @property
    def name(self) -> str:
        return self.card.sheet.name

    @property
    def size_bytes(self) -> int:
        return self.card.sector_count * SECTOR_BYTES

    @property
    def unit_bytes(self) -> int:
        return SECTOR_BYTES

    @property
    def block_bytes(self) -> int:
        return self._cluster_bytes

    @property
    def block_count(self) -> int:
        return self._cluster_count

    @property
    def supply_mv(self) -> int:
        return self.card.sheet.supply_mv

    @property
    def standby_nw(self) -> int:
        return self.card.sheet.standby_ua * self.card.sheet.supply_mv

    def mark(self) -> Mark:
        return self.card.reads, self.card.writes

    def since(self, mark: Mark) -> SpentNow:
        reads, writes = self.card.reads - mark[0], self.card.writes - mark[1]
        return (
            reads, reads * SECTOR_BYTES, writes, writes * SECTOR_BYTES, 0,
            writes * self._write_ns, writes * self._write_max_ns, reads * self._read_ns,
        )  # fmt: skip

    def energy_nj(self, mark: Mark) -> int:
        """See `Medium`."""
        sheet = self.card.sheet
        reads, writes = self.card.reads - mark[0], self.card.writes - mark[1]
        spent = reads * self._read_ns * sheet.read_ua + writes * self._write_ns * sheet.write_ua
        return spent * sheet.supply_mv // NS_PER_S

    def current_sources(self) -> Mapping[str, str]:
        """See `Medium`. A current of 0 is one that nobody knows."""
        return {word: self._source(field) for word, field in CURRENTS.items()}

    def _source(self, field: str) -> str:
        value = getattr(self.card.sheet, field)
        if not value:
            return ""
        return SOURCES[field] if value == getattr(USUAL, field) else FROM_SCENARIO
