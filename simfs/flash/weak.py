"""Weak bits: bits that an interrupted change left half done may read as 0 or as 1, until a complete change makes them
sound.

They are kept as pieces: the mask of each interrupted change, from `interrupted.weakened`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from simfs.flash.geometry import Geometry
from simfs.flash.interrupted import Piece, random_bits
from simfs.flash.misuse import anded
from simfs.flash.rng import Rng
from simfs.flash.trace import Change


def still_weak(weak: Iterable[Piece], change: Change, geometry: Geometry) -> list[Piece]:
    """The bits still weak after a complete change: a program makes the bits that it clears sound, an erase its
    block."""
    kept = bytes(geometry.block_bytes) if change.data is None else change.data
    begin, stop = change.address, change.address + len(kept)
    left: list[Piece] = []
    for piece in weak:
        if piece.address >= stop or piece.address + len(piece.data) <= begin:
            left.append(piece)
        else:
            left += _less(piece, begin, kept)
    return left


def _less(piece: Piece, address: int, kept: bytes) -> Iterator[Piece]:
    """The piece without the bits that are 0 in `kept`, which stands at `address`; nothing when none is left."""
    start = max(piece.address, address)
    end = min(piece.address + len(piece.data), address + len(kept))
    mask = bytearray(piece.data)
    within = slice(start - piece.address, end - piece.address)
    mask[within] = anded(mask[within], kept[start - address : end - address])
    if mask.count(0) < len(mask):
        yield Piece(piece.address, bytes(mask))


def read_anew(weak: Iterable[Piece], cells: bytearray | memoryview, rng: Rng) -> None:
    """Make the weak bits read differently: of each piece none, few, half, most or all as 1. Cost: a few microseconds
    for the piece of a program, about 50 for that of a block of 4 KiB."""
    for address, mask in weak:
        how = ("", "few", "half", "most", "all")[rng.below(5)]
        weak_bits, length = int.from_bytes(mask, "little"), len(mask)
        ones = weak_bits if how == "all" else random_bits(rng, length, how) & weak_bits if how else 0
        old = int.from_bytes(cells[address : address + length], "little")
        cells[address : address + length] = (old & ~weak_bits | ones).to_bytes(length, "little")
