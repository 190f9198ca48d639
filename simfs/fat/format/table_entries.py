"""Entries of the table as numbers, and as bytes: 12, 16 or 32 bits, of which 28 count."""

from __future__ import annotations

import struct
from collections.abc import Sequence

MASK32 = 0x0FFFFFFF


def packed(entries: Sequence[int], bits: int) -> bytes:
    """The bytes of entries from the beginning of a table on."""
    if bits == 16:
        return struct.pack(f"<{len(entries)}H", *entries)
    if bits == 32:
        return struct.pack(f"<{len(entries)}I", *entries)
    number = sum(entry << 12 * at for at, entry in enumerate(entries))
    return number.to_bytes(-(-len(entries) * 12 // 8), "little")


def unpacked(table: bytes, bits: int) -> Sequence[int]:
    """Every entry of a whole table."""
    if bits == 16:
        return struct.unpack(f"<{len(table) // 2}H", table[: len(table) // 2 * 2])
    if bits == 32:
        return [entry & MASK32 for entry in struct.unpack(f"<{len(table) // 4}I", table)]
    entries = []
    for at in range(0, len(table) - 2, 3):
        three = int.from_bytes(table[at : at + 3], "little")
        entries += [three & 0xFFF, three >> 12]
    return entries
