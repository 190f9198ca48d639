"""A card: sectors of 512 bytes, read and written whole, and the count of both."""

from __future__ import annotations

import errno
from collections.abc import Callable, Mapping
from typing import Protocol

from simfs.fat.card.sheet import SECTOR_BYTES, CardSheet

BLANK = bytes(SECTOR_BYTES)


class Unreadable(OSError):
    """A sector that the card can't read, as after a power cut in its write."""

    def __init__(self, sector: int) -> None:
        super().__init__(errno.EIO, f"the card can't read sector {sector:,}")
        self.sector = sector


class CardGone(OSError):
    """The card is not in its slot."""

    def __init__(self) -> None:
        super().__init__(errno.ENODEV, "the card is out")


class Gate(Protocol):
    """Asked before each read and write of a card; may raise, and then nothing is read or written."""

    def before_read(self, sector: int) -> None: ...
    def before_write(self, sector: int) -> None: ...


class Backing(Protocol):
    """Bytes that a card holds from the start, such as those of a mapped file. They are never written."""

    def __len__(self) -> int: ...
    def __getitem__(self, part: slice, /) -> bytes: ...


class Card:
    """Sectors that nobody wrote are zeros, or those of `backing`.

    `unreadable` sectors raise `Unreadable` until they are written again. `heard` is called with each sector that is
    written, and its bytes. A `gate` is asked before.
    """

    def __init__(self, sector_count: int, sheet: CardSheet | None = None, backing: Backing = b"") -> None:
        self.sector_count = sector_count
        self.sheet = sheet or CardSheet()
        self.unreadable: set[int] = set()
        self.heard: Callable[[int, bytes], None] | None = None
        self.gate: Gate | None = None
        self.reads = self.writes = 0
        self._backing = backing
        self._backed_sectors = len(backing) // SECTOR_BYTES
        self._sectors: dict[int, bytes] = {}

    @classmethod
    def from_image(cls, image: Backing, sheet: CardSheet | None = None) -> Card:
        """A card that holds these bytes; what is behind the last whole sector is left out."""
        return cls(len(image) // SECTOR_BYTES, sheet, image)

    def read(self, sector: int) -> bytes:
        """The sector's bytes. ValueError beyond the end, Unreadable."""
        if self.gate is not None:
            self.gate.before_read(sector)
        self.reads += 1
        return self.look(sector)

    def look(self, sector: int) -> bytes:
        """The same, counted nowhere."""
        found = self._sectors.get(sector)
        if found is not None and not self.unreadable:
            return found
        if not 0 <= sector < self.sector_count:
            raise ValueError(f"the card has {self.sector_count:,} sectors, there is no sector {sector:,}")
        if sector in self.unreadable:
            raise Unreadable(sector)
        if found is not None:
            return found
        if sector < self._backed_sectors:
            return bytes(self._backing[sector * SECTOR_BYTES : (sector + 1) * SECTOR_BYTES])
        return BLANK

    def write(self, sector: int, data: bytes) -> None:
        """Write a whole sector. ValueError beyond the end, or for anything but 512 bytes."""
        if not 0 <= sector < self.sector_count or len(data) != SECTOR_BYTES:
            raise ValueError(f"sector {sector:,} of {self.sector_count:,} can't take {len(data)} bytes")
        if self.gate is not None:
            self.gate.before_write(sector)
        self.writes += 1
        kept = bytes(data)
        self._sectors[sector] = kept
        if self.unreadable:
            self.unreadable.discard(sector)
        if self.heard is not None:
            self.heard(sector, kept)

    @property
    def written(self) -> Mapping[int, bytes]:
        """The sectors that were written, by number."""
        return self._sectors

    def copy(self) -> Card:
        """A card with the same sectors, counters at zero, and no gate."""
        card = Card(self.sector_count, self.sheet, self._backing)
        card._sectors = dict(self._sectors)
        card.unreadable = set(self.unreadable)
        return card

    def image(self) -> bytes:
        """All bytes of the card; those of an unreadable sector are zeros."""
        image = bytearray(self._backing[: self._backed_sectors * SECTOR_BYTES])
        image.extend(bytes(self.sector_count * SECTOR_BYTES - len(image)))
        for sector, data in self._sectors.items():
            image[sector * SECTOR_BYTES : (sector + 1) * SECTOR_BYTES] = data
        for sector in self.unreadable:
            image[sector * SECTOR_BYTES : (sector + 1) * SECTOR_BYTES] = BLANK
        return bytes(image)
