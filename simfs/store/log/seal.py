"""What a block says of itself as its head leaves it: the runs in it, and its seal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import repeat
from operator import itemgetter
from typing import Any, NamedTuple
from zlib import crc32

from simfs.flash import NorFlash
from simfs.store.format.codec import (
    ENTRY,
    ENTRY_BYTES,
    MAGIC,
    SEAL_BYTES,
    SEALED,
    U32,
    UNLISTED,
    Seal,
    encode_seal,
    salts_of,
)
from simfs.store.format.layout import Layout
from simfs.store.format.runs import DATA_BITS, KIND_BITS, PLACE_MASK, Entry, place_of
from simfs.store.log.heads import Head


class Listing(NamedTuple):
    """A sound seal, and the run entries that it lists (None: it lists none); `others` are those that are not of DATA
    frames."""

    seal: Seal
    entries: list[Entry] | None
    others: tuple[Entry, ...]


_new: Callable[[Any, Any], Any] = tuple.__new__  # makes a named tuple in half of the time


def seal_of(head: Head, layout: Layout) -> bytes:
    """The bytes of run entries and seal, which end where the marks at the block's end begin."""
    runs = head.table.runs
    listed = len(runs) <= layout.runs_max and head.at - head.start + len(runs) * ENTRY_BYTES <= layout.seal_at
    entries = [run.encode(head.start) for run in runs] if listed else []
    seal = Seal(len(runs) if listed else UNLISTED, head.at - head.start, head.table.next_order, head.base)
    raw = encode_seal(entries, seal, head.salt)
    return raw.ljust(len(entries) * ENTRY_BYTES + layout.seal_end - layout.seal_at, b"\xff")


def read_listing(flash: NorFlash, layout: Layout, block: int) -> Listing | None:
    """The block's seal with the runs that it lists; None when there is no sound one. One read of the seal with the
    entry before it, one more when it lists several."""
    return read_listings(flash, layout, (block,))[0]


def read_listings(flash: NorFlash, layout: Layout, blocks: Sequence[int]) -> list[Listing | None]:
    """The same of many blocks."""
    block_bytes, seal_at = layout.block_bytes, layout.seal_at
    least, most, entry_at = layout.first, layout.runs_max * ENTRY_BYTES, seal_at - ENTRY_BYTES
    addresses = [block * block_bytes + entry_at for block in blocks]
    raws = flash.read_each(addresses, ENTRY_BYTES + SEAL_BYTES)
    seals = [*map(SEALED.unpack_from, raws, repeat(ENTRY_BYTES))]
    salts = salts_of(blocks, map(itemgetter(4), seals))
    found: list[Listing | None] = []
    low, body, unpack = KIND_BITS | PLACE_MASK, -U32.size, ENTRY.unpack_from
    for block, raw, salt, (magic, count, end, next_order, base, check) in zip(blocks, raws, salts, seals, strict=True):
        size = 0 if count == UNLISTED else count * ENTRY_BYTES
        listing = None
        if magic == MAGIC and size <= most and least <= end <= seal_at - size:
            if size > ENTRY_BYTES:
                raw = flash.read(block * block_bytes + seal_at - size, size - ENTRY_BYTES) + raw
            elif not size:
                raw = raw[ENTRY_BYTES:]
            if crc32(raw[:body], salt) == check:
                entries = [unpack(raw)] if size == ENTRY_BYTES else [*ENTRY.iter_unpack(raw[:size])]
                others: tuple[Entry, ...] = ()
                for entry in entries:
                    if not DATA_BITS <= entry[0] & low <= DATA_BITS + end:
                        others = (*others, entry)
                if not others or max(map(place_of, others)) <= end:  # none behind the end of the frames
                    seal = _new(Seal, (count, end, next_order, base))
                    listing = _new(Listing, (seal, None if count == UNLISTED else entries, others))
        found.append(listing)
    return found
