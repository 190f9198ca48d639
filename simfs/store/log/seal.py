"""What a block says of itself as its head leaves it."""

from __future__ import annotations

from simfs.store.format.codec import ENTRY_BYTES, UNLISTED, Seal, encode_seal
from simfs.store.format.layout import Layout
from simfs.store.log.heads import Head


def seal_of(head: Head, layout: Layout) -> bytes:
    """The bytes of run entries and seal, which end where the marks at the block's end begin."""
    runs = head.table.runs
    listed = len(runs) <= layout.runs_max and head.at - head.start + len(runs) * ENTRY_BYTES <= layout.seal_at
    entries = [run.encode(head.start) for run in runs] if listed else []
    seal = Seal(len(runs) if listed else UNLISTED, head.at - head.start, head.table.next_order, head.base)
    raw = encode_seal(entries, seal, head.salt)
    return raw.ljust(len(entries) * ENTRY_BYTES + layout.seal_end - layout.seal_at, b"\xff")
