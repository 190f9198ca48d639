"""A first look at a flash: each block's state, its runs, and the log heads. Names and files come later."""

from __future__ import annotations

from itertools import takewhile

from simfs.flash import NorFlash
from simfs.store.format.codec import BAD, FRAME_BYTES, NO_BLOCK, RECORDS, VERSION
from simfs.store.format.errors import CorruptStore
from simfs.store.format.headers import Header, stated_by
from simfs.store.format.layout import align_up
from simfs.store.format.runs import PLACE_BITS, PLACE_MASK, RunTable
from simfs.store.format.settings import check_geometry, config_of
from simfs.store.log.block_scan import build_runs, check_end, counted_frames, read_frames, table_of
from simfs.store.log.state import Doubt, StoreState
from simfs.store.mounting.block_reader import Content, Look
from simfs.store.mounting.found_block import Used, by_base
from simfs.store.mounting.missing_numbers import check_blocks, check_heads
from simfs.store.tables.blocks import SEQUENCE_END


def survey(flash: NorFlash, look: Look) -> tuple[StoreState, dict[int, Used]]:
    """The state of the blocks and the log, and the blocks that hold frames. Writes nothing. CorruptStore when there
    is no sound store."""
    headers = look.headers(flash)
    state = _state_of(flash, headers)
    used, ready = {}, []
    for header in headers:
        if header.opened and not header.discarded:
            used[header.block] = _used(header, look.content(state, header.block), state.layout.block_bytes)
        elif header.ready:
            ready.append(header.block)
        else:
            state.torn.add(header.block)
            if not header.opened:
                state.doubts.append(Doubt(header.block * state.layout.block_bytes, "a block without a sound header"))
    state.blocks.find_ready(ready)
    _check_stated(state, used)
    opening = _opening(state, used)
    for use in opening:
        state.torn.add(use.block)
        _doubt_tail(state, use)
    for block in state.torn:
        state.blocks.free_unlisted(block)
    heads = _take_up_heads(state, used)
    if len(heads) + len(opening) > 1:
        check_heads(state, used, opening + [used[block] for block in sorted(heads)])
    _close_others(state, used, heads)
    return state, used


def _opening(state: StoreState, used: dict[int, Used]) -> list[Used]:
    """Take out the blocks whose opening was cut: the newest of their head, without a sound frame. An older one has a
    successor, and says how far the block before it counts."""
    opening = []
    for which in range(len(state.log.heads)):
        for use in sorted((use for use in used.values() if use.head == which), key=by_base, reverse=True):
            if use.seal is not None or use.holds_frames:
                break
            opening.append(used.pop(use.block))
    return opening


def _state_of(flash: NorFlash, headers: list[Header]) -> StoreState:
    opened = [header for header in headers if header.stated]
    newest = stated_by(max(opened, key=by_base).stated) if opened else None
    if newest is None:
        versions = {header.version for header in headers} - {None, VERSION}
        if versions:
            raise CorruptStore(
                f"the store has format version {min(v for v in versions if v)}; this simfs reads {VERSION}"
            )
        raise CorruptStore("no store on this flash: no block of it was ever opened; format it first")
    check_geometry(newest, flash.geometry)
    state = StoreState(flash, config_of(newest), newest)
    blocks = state.blocks
    for header in headers:
        if header.head >= newest.log_heads:
            raise CorruptStore(f"block {header.block} is of log head {header.head}; the store has {newest.log_heads}")
    known = [header.erase_count for header in headers if header.erase_count is not None]
    most = max([newest.erase_count_max, *known])
    blocks.salt = [header.salt for header in headers]
    blocks.base = [header.base for header in headers]
    blocks.tries = [header.tries for header in headers]
    blocks.opened = [header.opened for header in headers]
    # A count lost in an erase: the highest is no understatement.
    blocks.erase_count = [most if header.erase_count is None else header.erase_count for header in headers]
    blocks.erase_count_max = max(blocks.erase_count)
    return state


def _used(header: Header, content: Content, block_bytes: int) -> Used:
    """The block's runs; those of an unlisted block once its frames have been read."""
    (seal, entries, found), block, base = content, header.block, header.base
    end = 0 if seal is None or found is not None else base + seal.next_order
    head, tries, start = header.head, header.tries, block * block_bytes
    return Used(block, start, base, head, tries, header.stated, seal, entries, found, end, end - 1)


def _check_stated(state: StoreState, used: dict[int, Used]) -> None:
    """CorruptStore when a block is unreadable that was open when the newest open record was written: it holds data."""
    stating = [use for use in used.values() if use.stated]
    newest = stated_by(max(stating, key=by_base).stated) if stating else None
    if newest is None:
        raise CorruptStore("no block of this flash holds a sound log head")
    state.segments.stated = {newest.opened, newest.opened_too} - {NO_BLOCK}
    for block in state.segments.stated:
        if block not in used:
            place = block * state.layout.block_bytes
            raise CorruptStore(f"block {block} holds data behind a damaged header (flash address {place:#x})")


def _take_up_heads(state: StoreState, used: dict[int, Used]) -> set[int]:
    """Give the heads their blocks, and return these: the log goes on in the newest block of each head, unless it is
    sealed. A seal that was cut is like a frame that was cut: the end of the block is uncertain."""
    heads = set()
    for which in range(len(state.log.heads)):
        own = [use for use in used.values() if use.head == which]
        newest = max(own, key=by_base, default=None)
        if newest is not None and newest.seal is None:
            table = _table(state, newest, None)
            newest.take(table)
            _take_up_head(state, newest, table)
            _doubt_tail(state, newest)
            heads.add(newest.block)
    return heads


def _take_up_head(state: StoreState, use: Used, table: RunTable) -> None:
    assert use.found is not None
    layout = state.layout
    at = align_up(use.found.end, layout.step)
    page_start = at - at % layout.page_bytes
    ends = (frame.address + FRAME_BYTES + frame.length for frame in reversed(use.found.frames))
    in_page = sum(1 for _ in takewhile(lambda end: end > page_start, ends))
    records = RECORDS if at % layout.block_bytes < layout.page_bytes else 0
    state.log.resume(use.head, use.block, at, table, in_page + records, taken_up=True)
    state.blocks.take_over(use.block)


def _doubt_tail(state: StoreState, use: Used) -> None:
    if use.found is not None and use.found.content_end > use.found.end:
        state.doubts.append(Doubt(use.found.end, "a torn frame, or several"))


def _close_others(state: StoreState, used: dict[int, Used], heads: set[int]) -> None:
    """Close all blocks with frames that are no heads, and set the log's next sequence number."""
    blocks, block_bytes = state.blocks, state.layout.block_bytes
    in_order = sorted(used.values(), key=by_base)
    _find_runs(state, in_order, heads)
    check_blocks(state, in_order)
    _take_out_bad(state, used, in_order, heads)
    for at, use in enumerate(in_order, -len(used)):
        blocks.written_at[use.block] = at * block_bytes
    blocks.find_closed([use.block for use in in_order if use.block in used and use.block not in heads])


def _find_runs(state: StoreState, in_order: list[Used], heads: set[int]) -> None:
    """Find the runs of the blocks that list none, and how far blocks without a seal count."""
    following: dict[int, Used] = {}  # by head: the block that it opened next
    next_sequence = state.log.sequence
    for use in reversed(in_order):
        follower = following.get(use.head)
        following[use.head] = use
        if use.block not in heads:
            if follower is not None and use.seal is not None and follower.base < use.base + use.seal.next_order:
                use.distrust_seal(read_frames(state, use.block, use.seal.end))
            if use.found is not None:
                use.take(_table(state, use, follower))
            if use.seal is None:
                state.blocks.in_doubt[use.block] = SEQUENCE_END if follower is None else follower.base
        if next_sequence < use.next_sequence:
            next_sequence = use.next_sequence
    state.log.sequence = next_sequence


def _take_out_bad(state: StoreState, used: dict[int, Used], in_order: list[Used], heads: set[int]) -> None:
    """Leave out the blocks that BAD frames name, whatever they hold."""
    bad_at: dict[int, int] = {}
    for use in in_order:
        for place, _, _, file, _ in use.entries:
            if place >> PLACE_BITS == BAD:
                bad_at[file] = use.start + (place & PLACE_MASK)
    for block, address in bad_at.items():
        if block >= len(state.blocks) or block in heads:
            raise CorruptStore(f"a frame calls block {block} bad, which is open or not on the flash")
        used.pop(block, None)
        state.blocks.in_doubt.pop(block, None)
        state.torn.discard(block)
        state.blocks.retire(block)
        state.segments.note_bad(block, address)


def _table(state: StoreState, use: Used, following: Used | None) -> RunTable:
    """The runs of a block that lists none. In a block left without a seal, frames as new as the block opened next
    (`following`) do not count: they were uncertain when that one was opened."""
    assert use.found is not None
    if use.seal is not None:
        check_end(state, use.block, use.found, use.seal)
    if use.seal is not None or following is None:
        return table_of(state, use.found)
    frames = counted_frames(state, use.found)
    return build_runs([frame for frame in frames if use.base + frame.order < following.base])
