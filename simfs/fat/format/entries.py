"""Directory entries of 32 bytes, and what a sector of them says."""

from __future__ import annotations

import struct
from functools import lru_cache
from typing import NamedTuple

from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.format.layout import ENTRY_BYTES
from simfs.fat.format.names import checksum, long_parts

ENTRY = struct.Struct("<11sBBBHHHHHHHI")
LONG = struct.Struct("<B10sBBB12sH4s")
PLACE = struct.Struct("<H")  # a half of the first cluster
READ_ONLY, HIDDEN, SYSTEM, LABEL, DIRECTORY, ARCHIVE = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20
LONG_PART = 0x0F
FREE, END, STANDS_FOR_E5, LAST_PART = 0xE5, 0x00, 0x05, 0x40
NO_DATE = 0x0021  # 1980-01-01: this driver has no clock
LONG_MAX = 20


class Short(NamedTuple):
    """A short entry."""

    name: bytes
    attributes: int
    lower: int
    first: int
    size: int

    @property
    def is_directory(self) -> bool:
        return bool(self.attributes & DIRECTORY)


class LongPart(NamedTuple):
    """A piece of a long name: its number, whether it is the last piece, the checksum, 26 bytes."""

    number: int
    is_last: bool
    checksum: int
    text: bytes


Slot = Short | LongPart | None
"""What stands in one entry; None: it is free."""


@lru_cache(512)
def slots_of(sector: bytes) -> tuple[tuple[Slot, ...], bool]:
    """The entries of a sector up to the end of the directory, and whether that is in it."""
    found: list[Slot] = []
    for at in range(0, SECTOR_BYTES, ENTRY_BYTES):
        first = sector[at]
        if first == END:
            return tuple(found), True
        if first == FREE:
            found.append(None)
        elif sector[at + 11] & 0x3F == LONG_PART:
            number, one, _, _, check, two, _, three = LONG.unpack_from(sector, at)
            found.append(LongPart(number & 0x3F, bool(number & LAST_PART), check, one + two + three))
        else:
            name, attributes, lower, _, _, _, _, high, _, _, low, size = ENTRY.unpack_from(sector, at)
            found.append(Short(name, attributes, lower, high << 16 | low, size))
    return tuple(found), False


def short_entry(name: bytes, attributes: int, first: int, size: int) -> bytes:
    """The 32 bytes of a short entry."""
    return ENTRY.pack(name, attributes, 0, 0, 0, NO_DATE, NO_DATE, first >> 16, 0, NO_DATE, first & 0xFFFF, size)


def long_entries(name: str, short: bytes) -> list[bytes]:
    """The entries of a long name, in the order in which they stand before the short one."""
    check, parts = checksum(short), long_parts(name)
    entries = [
        LONG.pack(
            number | (LAST_PART if number == len(parts) else 0),
            part[:10],
            LONG_PART,
            0,
            check,
            part[10:22],
            0,
            part[22:],
        )
        for number, part in enumerate(parts, 1)
    ]
    return entries[::-1]


def set_first_and_size(sector: bytearray, at: int, first: int, size: int) -> None:
    """Change where a file begins and how long it is."""
    PLACE.pack_into(sector, at + 20, first >> 16)
    PLACE.pack_into(sector, at + 26, first & 0xFFFF)
    struct.pack_into("<I", sector, at + 28, size)


def dot_entries(own: int, parent: int) -> bytes:
    """The two entries that a new directory begins with."""
    return short_entry(b".          ", DIRECTORY, own, 0) + short_entry(b"..         ", DIRECTORY, parent, 0)
