"""Figures of a mounted store: room, blocks, and the RAM that it would need on the device. All from RAM."""

from __future__ import annotations

from typing import NamedTuple

from simfs.store.format.codec import ENTRY_BYTES, FRAME_BYTES, SEAL_BYTES
from simfs.store.format.layout import Layout
from simfs.store.tables.blocks import State
from simfs.store.volume import Volume

_SHOWN = {
    State.UNUSED: "unused",
    State.READY: "ready",
    State.OPEN: "open",
    State.CLOSED: "closed",
    State.FREED: "freed",
    State.DAMAGED: "damaged",
    State.BAD: "bad",
}


class Usage(NamedTuple):
    """Room of a store, in bytes.

    capacity_bytes  what frames can fill for good, the reserve left out
    live_bytes      what live files and names take; removals kept ready and bytes waiting in buffers included
    dead_bytes      taken by frames that no longer count, by statements and seals, and by blocks that wait for an erase
    blank_bytes     erased and not programmed since, or in blocks that this store has not used yet
    """

    capacity_bytes: int
    live_bytes: int
    dead_bytes: int
    blank_bytes: int


class BlockView(NamedTuple):
    """One erase block. state: "unused" (holds nothing of this store yet), "ready" (erased ahead), "open", "closed",
    "freed" (waits for its erase), "damaged" (holds live frames that can't be read) or "bad" (it failed, and is not used
    any more)."""

    number: int
    state: str
    erase_count: int
    live_bytes: int


def usage(volume: Volume) -> Usage:
    """Room as it is now."""
    state = volume.state
    block_bytes = state.layout.block_bytes
    written = sum(used for _, used in volume.programmed_bytes())
    blank = block_bytes * len(state.blocks) - written
    return Usage(state.blocks.capacity, state.committed, max(written - state.blocks.live_total, 0), blank)


def file_room(volume: Volume) -> tuple[int, int]:
    """Bytes of one file that an empty store would take, and that this one takes now: at least so many."""
    state = volume.state
    capacity = state.blocks.capacity
    return _fits(capacity, state.layout), _fits(capacity - state.committed, state.layout)


def _fits(free_bytes: int, layout: Layout) -> int:
    """The bytes that fit beside the names of a new file. Each block may end with a piece of a frame, which costs a
    header."""
    free_bytes -= 2 * layout.frame_cost(layout.name_bytes) + 2 * layout.hole_cost
    free_bytes -= FRAME_BYTES * (free_bytes // layout.block_room + 1)
    full, rest = divmod(max(free_bytes, 0), layout.full_cost)
    return full * layout.buffer_bytes + max(rest - layout.frame_cost(1) + 1, 0)


def block_views(volume: Volume) -> list[BlockView]:
    """All blocks, in the order of their addresses."""
    blocks = volume.state.blocks
    return [
        BlockView(block, _SHOWN[state], count, live)
        for block, (state, count, live) in enumerate(zip(blocks.state, blocks.erase_count, blocks.live, strict=True))
    ]


def ram_bytes(volume: Volume) -> dict[str, int]:
    """RAM on a device of 32-bit words that keeps what this store keeps: 8 bytes a span; a file's number, size, place
    of its name and three pointers, and its name; 12 bytes a block and the run entries of the open ones; a buffer
    and 16 bytes for each file that may be open."""
    state = volume.state
    layout, blocks = state.layout, len(state.blocks)
    spans = sum(len(node.starts) for node in state.nodes.values())
    names = sum(24 + len(node.name or b"") + 1 for node in state.nodes.values())
    tombs = sum(8 + len(key) + 1 for key in state.claims.tombs)
    heads = state.config.log_heads * (layout.runs_max * ENTRY_BYTES + SEAL_BYTES + 32)
    return {
        "index_bytes": 8 * spans,
        "names_bytes": names + tombs,
        "blocks_bytes": 12 * blocks + heads,
        "buffers_bytes": state.config.open_files_max * (layout.buffer_bytes + 16),
    }
