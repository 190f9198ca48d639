"""What a block says of itself: the open record as it becomes a head, run entries and seal as the head leaves it."""

from __future__ import annotations

from simfs.store.format.codec import (
    ENTRY_BYTES,
    NO_BLOCK,
    ORDER_MAX,
    SEAL_BYTES,
    UNKNOWN,
    UNLISTED,
    OpenRecord,
    Seal,
    encode_seal,
)
from simfs.store.format.layout import Layout
from simfs.store.log.heads import Head, Log


def record_of_head(settings: OpenRecord, log: Log, which: int, block: int, base: int, tries: int) -> OpenRecord:
    """The open record of a block that a head goes on in; `settings` has what is the same in all."""
    opened = [NO_BLOCK if head is None else head.block for head in log.heads]
    opened[which] = block
    return settings._replace(
        base=base,
        head=which,
        tries=tries,
        erase_count=log.blocks.erase_count[block],
        erase_count_max=log.blocks.erase_count_max,
        opened=opened[0],
        opened_too=opened[1] if len(opened) > 1 else NO_BLOCK,
        behind=_behind(log, which, base),
    )


def _behind(log: Log, which: int, base: int) -> int:
    """How far below this base the last frame of the other head is, when that is sound for sure and its block open."""
    other = log.heads[1 - which] if len(log.heads) > 1 else None
    if other is None or other.quiet or not other.table.runs:
        return UNKNOWN
    return min(max(base - (other.base + other.table.next_order - 1), 0), UNKNOWN)


def seal_of(head: Head, layout: Layout) -> bytes:
    """The bytes that are to stand last in the head's block."""
    runs = head.table.runs
    listed = len(runs) <= layout.runs_max and head.at + len(runs) * ENTRY_BYTES + SEAL_BYTES <= head.end
    entries = [run.encode(head.start) for run in runs] if listed else []
    seal = Seal(len(runs) if listed else UNLISTED, head.at - head.start, min(head.table.next_order, ORDER_MAX))
    return encode_seal(entries, seal, head.salt)
