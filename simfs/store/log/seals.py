"""What closes a block: its run entries, if they have room, and the seal."""

from __future__ import annotations

from simfs.store.format.codec import ENTRY_BYTES, ORDER_MAX, SEAL_BYTES, UNLISTED, Seal, encode_seal
from simfs.store.format.layout import Layout
from simfs.store.log.heads import Head


def seal_of(head: Head, layout: Layout) -> bytes:
    """The bytes that are to stand last in the head's block."""
    runs = head.table.runs
    listed = len(runs) <= layout.runs_max and head.at + len(runs) * ENTRY_BYTES + SEAL_BYTES <= head.end
    entries = [run.encode(head.start) for run in runs] if listed else []
    seal = Seal(len(runs) if listed else UNLISTED, head.at - head.start, min(head.table.next_order, ORDER_MAX))
    return encode_seal(entries, seal, head.salt)
