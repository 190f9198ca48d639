"""Mounting: everything is found on the flash. A look at the blocks comes first, then what a power cut left in doubt
is settled, then the claims on names and, in the order of their sequence numbers, the runs of the files that the
claims leave."""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.store.blocks import State
from simfs.store.codec import ENTRY_BYTES, NO_BLOCK, SEAL_BYTES, Frame
from simfs.store.replayed import replay_claims, replay_data
from simfs.store.scan import build_runs, end_of
from simfs.store.settle import is_settled, settle, tail_of
from simfs.store.state import StoreState
from simfs.store.survey import Used, frames_that_count, survey


def load(flash: NorFlash, writable: bool) -> StoreState:
    """The state of the store on the flash. Reads 64 bytes a block, the seals with their run entries, the blocks that
    list none, and the frames that speak of names. When `writable`, what a power cut left in doubt is settled by
    writing; a second time there is nothing to settle, and nothing is written. CorruptStore when there is no sound
    store."""
    state, used = survey(flash)
    if writable:
        state.segments.tail_is_old = _settle(flash, state, used)
    runs = [(use.record.base, use.table.runs) for use in used.values()]
    runs += [(head.base, head.table.runs) for head in state.log.heads if head is not None and head.block not in used]
    replay_data(state, runs, replay_claims(state, runs))
    return state


def _settle(flash: NorFlash, state: StoreState, used: dict[int, Used]) -> bool:
    """Write what takes the doubt out of the log's tails; whether there was none."""
    for block, use in used.items():
        if use.following is not None and use.seal is None and state.blocks.state[block] == State.CLOSED:
            _seal_late(state, use)
    for block in sorted(state.torn):
        state.segments.erase(block)
    tails = []
    for which, head in enumerate(state.log.heads):
        if head is not None:
            found = used[head.block].found
            assert found is not None
            tails.append(tail_of(state, which, found))
    if not tails or is_settled(state, tails):
        return True
    dead = [] if state.blocks.ready or state.blocks.freed else _free_dead_blocks(flash, state, used)
    named = set(state.segments.named)
    half_erased = sorted((state.segments.erases_announced.keys() | state.doubted) & state.blocks.freed - named)
    settle(state, tails, max(use.newest for use in used.values()), half_erased)
    for tail in tails:
        used[tail.head.block].table = tail.head.table
    for block in dead:
        if state.blocks.state[block] == State.FREED:
            state.blocks.unfree(block)  # its names are not counted yet: it is cleaned like any other
        else:
            del used[block]
    return False


def _seal_late(state: StoreState, use: Used) -> None:
    """A cut came between a head's new block and the seal of its old one: its last frame is in doubt, and stands in
    the new one again."""
    assert use.found is not None
    layout, start = state.layout, use.block * state.layout.block_bytes
    frames = frames_that_count(state, use)
    if frames and use.following is not None and _begins_with(use.following, frames[-1]):
        frames.pop()
    table = build_runs(frames)
    listed = len(table.runs) * ENTRY_BYTES if len(table.runs) <= layout.runs_max else 0
    if use.found.content_end <= start + layout.block_bytes - SEAL_BYTES - listed:
        end = end_of(frames, use.block, layout)
        state.segments.write_seal(use.block, table, end, use.found.content_end, NO_BLOCK)
        use.table = table
    else:
        state.blocks.in_doubt.add(use.block)


def _begins_with(use: Used, frame: Frame) -> bool:
    run = use.table.runs[0] if use.table.runs else None
    return run is not None and (run.kind, run.file, run.offset) == (frame.kind, frame.file, frame.offset)


def _free_dead_blocks(flash: NorFlash, state: StoreState, used: dict[int, Used]) -> list[int]:
    """The log cannot go on unless a dead block is erased: find them as a mount that writes nothing would."""
    seen = load(flash, writable=False)
    dead = [block for block in used if seen.blocks.state[block] == State.CLOSED and not seen.blocks.live[block]]
    for block in dead:
        state.blocks.free(block, -1)
    return dead
