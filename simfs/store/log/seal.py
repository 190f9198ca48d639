"""What a block says of itself as its head leaves it: the runs in it, and its seal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from simfs.flash import NorFlash
from simfs.store.format.codec import (
    ENTRY,
    ENTRY_BYTES,
    SEAL_BYTES,
    UNLISTED,
    Seal,
    decode_seal,
    encode_seal,
    salt_of,
    seal_check,
)
from simfs.store.format.layout import Layout
from simfs.store.format.runs import PLACE_MASK, Entry
from simfs.store.log.heads import Head

Listing = tuple[Seal, list[Entry] | None]


def seal_of(head: Head, layout: Layout) -> bytes:
    """The bytes of run entries and seal, which end where the marks at the block's end begin."""
    runs = head.table.runs
    listed = len(runs) <= layout.runs_max and head.at - head.start + len(runs) * ENTRY_BYTES <= layout.seal_at
    entries = [run.encode(head.start) for run in runs] if listed else []
    seal = Seal(len(runs) if listed else UNLISTED, head.at - head.start, head.table.next_order, head.base)
    raw = encode_seal(entries, seal, head.salt)
    return raw.ljust(len(entries) * ENTRY_BYTES + layout.seal_end - layout.seal_at, b"\xff")


def read_listing(flash: NorFlash, layout: Layout, block: int) -> Listing | None:
    """The block's seal with the run entries that it lists (None: it lists none); None when there is no sound one. One
    read of the seal with the entry before it, one more when it lists several."""
    return next(read_listings(flash, layout, (block,)))


def read_listings(flash: NorFlash, layout: Layout, blocks: Iterable[int]) -> Iterator[Listing | None]:
    """The same of many blocks."""
    read, block_bytes, least = flash.read, layout.block_bytes, layout.first
    seal_at, most = layout.seal_at, layout.runs_max * ENTRY_BYTES
    for block in blocks:
        at = block * block_bytes + seal_at
        raw = read(at - ENTRY_BYTES, ENTRY_BYTES + SEAL_BYTES)
        seal = decode_seal(raw, ENTRY_BYTES)
        if seal is None:
            yield None
            continue
        count, end, _, base = seal
        size = 0 if count == UNLISTED else count * ENTRY_BYTES
        sound = size <= most and least <= end <= seal_at - size
        if sound and size != ENTRY_BYTES:
            raw = read(at - size, size - ENTRY_BYTES) + raw if size else raw[ENTRY_BYTES:]
        sound = sound and seal_check(raw, salt_of(block, base))
        entries = list(ENTRY.iter_unpack(raw[:size])) if sound else []
        for first, _, _ in entries:
            if first & PLACE_MASK > end:
                sound = False
        if not sound:
            yield None
        else:
            yield seal, None if count == UNLISTED else entries
