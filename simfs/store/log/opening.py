"""What an open record states about the log when a block becomes a head."""

from __future__ import annotations

from simfs.store.format.codec import NO_BLOCK, UNKNOWN, OpenRecord
from simfs.store.log.heads import Log


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
