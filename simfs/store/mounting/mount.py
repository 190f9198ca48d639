"""Mounting: finds everything on the flash. First it looks at the blocks, then it settles what a power cut left
uncertain. Then come the claims on names, and the runs of the files that these leave, in the order of their sequence
numbers."""

from __future__ import annotations

from collections import Counter

from simfs.flash import NorFlash
from simfs.store.format.codec import Kind
from simfs.store.format.errors import OutOfBlocks
from simfs.store.log.block_scan import build_runs, runs_of
from simfs.store.log.state import StoreState
from simfs.store.mounting.block_reader import PLAINLY, Look
from simfs.store.mounting.found_block import Used
from simfs.store.mounting.rebuild import replay_claims, replay_data
from simfs.store.mounting.settle import is_settled, settle, tail_of
from simfs.store.mounting.survey import survey
from simfs.store.tables.blocks import State


def load(flash: NorFlash, writable: bool, look: Look = PLAINLY) -> StoreState:
    """The state of the store on the flash. Reads 128 bytes a block, the seals with their run entries, the blocks that
    list none, and the frames that make claims on names. If `writable`, it settles what a power cut left uncertain by
    writing; a second mount has nothing to settle and writes nothing. `look` may remember what it read of blocks.
    CorruptStore when there is no sound store."""
    state, used = survey(flash, look)
    if writable:
        try:
            _settle(state, used, [])
        except OutOfBlocks:  # what was settled so far stays so
            state, used = survey(flash, look)
            _settle(state, used, _free_dead_blocks(flash, state, used, look))
    replay(state, used, look)
    state.log.sleep()
    return state


def replay(state: StoreState, used: dict[int, Used], look: Look) -> None:
    """The files of all blocks with frames: those that were found, and those that settling has opened since, even if it
    had to leave them again."""
    runs = [(use.base, use.start, use.entries) for use in used.values()]
    new = [(head.block, head.table.runs) for head in state.log.heads if head is not None and head.block not in used]
    new += [(block, runs_of(state, block)) for block in state.blocks.closed if block not in used]
    base, block_bytes = state.blocks.base, state.layout.block_bytes
    for block, own in new:
        runs.append((base[block], block * block_bytes, [run.entry(block * block_bytes) for run in own]))
    replay_data(state, runs, replay_claims(state, runs, look))


def _settle(state: StoreState, used: dict[int, Used], dead: list[int]) -> None:
    """Rewrite the uncertain tails of the log, so that every later mount reads the same. `dead` blocks may be erased."""
    for block in sorted(state.torn):
        state.segments.erase(block)
    tails = []
    for which, head in enumerate(state.log.heads):
        if head is not None:
            found = used[head.block].found
            assert found is not None
            tails.append(tail_of(state, which, found))
    if is_settled(state, tails):
        return
    settle(state, tails, _newest(used))
    for tail in tails:
        used[tail.head.block].take(tail.head.table)
    for block in dead:
        if state.blocks.state[block] == State.FREED:
            state.blocks.unfree(block)  # its names are not counted yet: it is cleaned like any other
        else:
            del used[block]


def _newest(used: dict[int, Used]) -> int:
    return max(use.newest for use in used.values())


def _free_dead_blocks(flash: NorFlash, state: StoreState, used: dict[int, Used], look: Look) -> list[int]:
    """Find blocks that may be erased so that the log can go on: those that are dead whether the uncertain newest frame
    counts or not."""
    newest = _newest(used)
    dead = set(range(len(state.blocks)))
    for doubted in (False, True):
        seen, used = survey(flash, look)
        if doubted:
            _leave_out(seen, used, newest)
        replay(seen, used, look)
        dead &= {block for block in used if seen.blocks.state[block] == State.CLOSED and _is_dead(seen, block)}
    for block in dead:
        state.blocks.free(block, -1)
    return sorted(dead)


def _is_dead(state: StoreState, block: int) -> bool:
    """Whether nothing in the block is live except claims that only override what goes with the block."""
    live, claims = state.blocks.live[block], state.claims
    here = [(key, cost) for key, (place, cost) in claims.tombs.items() if state.blocks.of(place) == block]
    if live and live == sum(cost for _, cost in here):
        names = [run.address for run in runs_of(state, block) if run.kind in (Kind.NAME, Kind.RENAME)]
        frames = [state.reader.frame(address) for address in names]
        borne = Counter(claims.key(payload.split(b"\0")[0]) for _, payload in frames)
        live -= sum(cost for key, cost in here if claims.bearers[key] == borne[key])
    return not live


def _leave_out(state: StoreState, used: dict[int, Used], newest: int) -> None:
    for which, head in enumerate(state.log.heads):
        found = None if head is None else used[head.block].found
        if head is not None and found is not None:
            tail = tail_of(state, which, found)
            if tail.sequence() == newest:
                used[head.block].take(build_runs(tail.counted[:-1]))
