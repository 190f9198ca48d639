"""A first look at a flash: each block's state, its runs, and the log heads. Nothing is known yet of names and files."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import permutations

from simfs.flash import NorFlash
from simfs.store.blocks import SEQUENCE_END
from simfs.store.codec import FRAME_BYTES, NO_BLOCK, RECORDS, VERSION, Kind, OpenRecord, Seal
from simfs.store.errors import CorruptStore
from simfs.store.headers import Header, read_header
from simfs.store.layout import align_up
from simfs.store.reader import damaged
from simfs.store.runs import Run, RunTable
from simfs.store.scan import Frames, build_runs, check_end, counted_frames, read_frames, read_seal
from simfs.store.setup import check_geometry, config_of
from simfs.store.state import StoreState


@dataclass(slots=True)
class Used:
    """A block that holds frames, as a mount found it."""

    block: int
    base: int
    head: int
    record: OpenRecord | None
    seal: Seal | None
    runs: list[Run] | None = None
    found: Frames | None = None
    table: RunTable = field(default_factory=RunTable)
    following: Used | None = None  # the block that its head opened next

    @property
    def holds_frames(self) -> bool:
        """A block opened without a sound frame is no head: a cut while opening."""
        return self.seal is not None or bool(self.found and self.found.frames)

    @property
    def newest(self) -> int:
        """The sequence number of its newest frame that is no MARK."""
        return self.base + self.table.newest_order


def survey(flash: NorFlash) -> tuple[StoreState, dict[int, Used]]:
    """The state of the blocks and the log, and the blocks that hold frames. Writes nothing. CorruptStore when there
    is no sound store."""
    block_bytes = flash.geometry.block_bytes
    headers = [read_header(flash, block, block_bytes) for block in range(flash.geometry.block_count)]
    state = _state_of(flash, headers)
    used, ready = {}, []
    for header in headers:
        if header.opened and not header.discarded:
            used[header.block] = _read_used(state, header)
        elif header.ready:
            ready.append(header.block)
        else:
            state.torn.add(header.block)
    state.blocks.find_ready(ready)
    _check_stated(state, used)
    frameless = [block for block, use in used.items() if not use.holds_frames]
    for block in frameless:  # a cut while opening
        state.torn.add(block)
        del used[block]
    for block in state.torn:
        state.blocks.free_unlisted(block)
    heads = _take_up_heads(state, used)
    _check_order(state, [used[block] for block in sorted(heads)])
    _close_others(state, used, heads)
    return state, used


def _state_of(flash: NorFlash, headers: list[Header]) -> StoreState:
    records = [header.record for header in headers if header.record is not None]
    if not records:
        versions = {header.version for header in headers} - {None, VERSION}
        if versions:
            raise CorruptStore(
                f"the store has format version {min(v for v in versions if v)}; this simfs reads {VERSION}"
            )
        raise CorruptStore("no store on this flash: no block of it was ever opened; format it first")
    newest = max(records, key=lambda record: record.base)
    check_geometry(newest, flash.geometry)
    state = StoreState(flash, config_of(newest), newest)
    for header in headers:
        block = header.block
        state.blocks.salt[block], state.blocks.base[block] = header.salt, header.base
        state.blocks.opened[block] = header.opened
        if header.erase_count is not None:
            state.blocks.note_erase_count(block, header.erase_count)
        if header.head >= newest.log_heads:
            raise CorruptStore(f"block {block} is of log head {header.head}; the store has {newest.log_heads}")
    most = max(state.blocks.erase_count_max, newest.erase_count_max)
    for header in headers:
        if header.erase_count is None:
            state.blocks.note_erase_count(header.block, most)  # lost in an erase: the highest is no understatement
    return state


def _read_used(state: StoreState, header: Header) -> Used:
    """The block's runs; those of an unlisted block once its frames have been read."""
    seal, runs = read_seal(state, header.block) or (None, None)
    use = Used(header.block, header.base, header.head, header.record, seal, runs)
    if use.runs is None:
        stop = use.seal.end if use.seal else state.layout.block_bytes
        use.found = read_frames(state, header.block, stop)
    return use


def _check_stated(state: StoreState, used: dict[int, Used]) -> None:
    """CorruptStore when a block is unreadable that was open when the newest open record was written: it holds data."""
    records = [use.record for use in used.values() if use.record is not None]
    newest = max(records, key=lambda record: record.base, default=None)
    if newest is None:
        raise CorruptStore("no block of this flash holds a sound log head")
    state.segments.stated = {newest.opened, newest.opened_too} - {NO_BLOCK}
    for block in state.segments.stated:
        if block not in used:
            place = block * state.layout.block_bytes
            raise CorruptStore(f"block {block} holds data behind a damaged header (flash address {place:#x})")


def _take_up_heads(state: StoreState, used: dict[int, Used]) -> set[int]:
    """Give the heads their blocks, and return those: the log goes on in the newest one of each head, unless it is
    sealed. A seal that was cut is like a frame that was cut: what stands last is in doubt."""
    heads = set()
    for which in range(len(state.log.heads)):
        own = [use for use in used.values() if use.head == which]
        newest = max(own, key=lambda use: use.base, default=None)
        if newest is not None and newest.seal is None:
            newest.table = _table(state, newest)
            _take_up_head(state, newest)
            heads.add(newest.block)
    return heads


def _take_up_head(state: StoreState, use: Used) -> None:
    assert use.found is not None
    layout = state.layout
    at = align_up(use.found.end, layout.step)
    page_start = at - at % layout.page_bytes
    in_page = sum(frame.address + FRAME_BYTES + frame.length > page_start for frame in use.found.frames)
    records = RECORDS if at % layout.block_bytes < layout.page_bytes else 0
    state.log.resume(use.head, use.block, at, use.table, in_page + records, taken_up=True)
    state.blocks.take_over(use.block)


def _check_order(state: StoreState, heads: list[Used]) -> None:
    """CorruptStore when what stands last in a head's block can't be read, and the other head holds newer frames: a
    frame that was cut would be the newest of all, and no number before it would be missing."""
    numbers = {use.base + frame.order: frame for use in heads if use.found for frame in use.found.frames}
    for use, other in permutations(heads, 2):
        if use.found is None or use.found.content_end <= use.found.end:
            continue
        last = max((use.base + frame.order for frame in use.found.frames), default=use.base)
        for number in range(max(last, other.base) + 1, max(numbers)):
            skipped = number + 1 in numbers and numbers[number + 1].again  # as a mount does before it settles
            if number not in numbers and not skipped:
                raise damaged(use.found.end, state.layout)


def _close_others(state: StoreState, used: dict[int, Used], heads: set[int]) -> None:
    """All blocks with frames that are no heads are closed; the log's next sequence number is known."""
    blocks, log = state.blocks, state.log
    following: dict[int, Used] = {}  # by head: the block that it opened next
    in_order = sorted(used.values(), key=lambda use: use.base)
    for use in reversed(in_order):
        if use.block not in heads:
            use.following = following.get(use.head)
            use.table = _table(state, use)
        following[use.head] = use
    _take_out_bad(state, used, heads)
    for rank, use in enumerate(in_order):
        log.sequence = max(log.sequence, use.base + use.table.next_order)
        blocks.written_at[use.block] = (rank - len(used)) * state.layout.block_bytes
        if use.block in heads or use.block not in used:
            continue
        if use.seal is not None:
            blocks.close(use.block)
        else:
            blocks.abandon(use.block, SEQUENCE_END if use.following is None else use.following.base)


def _take_out_bad(state: StoreState, used: dict[int, Used], heads: set[int]) -> None:
    """The blocks that a frame calls bad are none of the store's any more, whatever they hold."""
    bad_at: dict[int, int] = {}
    for use in sorted(used.values(), key=lambda use: use.base):
        bad_at.update((run.file, run.address) for run in use.table.runs if run.kind == Kind.BAD)
    for block, address in bad_at.items():
        if block >= len(state.blocks) or block in heads:
            raise CorruptStore(f"a frame calls block {block} bad, which is open or not on the flash")
        used.pop(block, None)
        state.torn.discard(block)
        state.blocks.retire(block)
        state.segments.note_bad(block, address)


def _table(state: StoreState, use: Used) -> RunTable:
    """The block's runs. In a block that was left without a seal, nothing counts that is as new as the block opened
    next: it was in flight, and in doubt, when that was opened."""
    if use.runs is None:
        assert use.found is not None
        if use.seal is not None:
            check_end(state, use.block, use.found, use.seal)
        frames = counted_frames(state, use.found)
        if use.seal is None and use.following is not None:
            frames = [frame for frame in frames if use.base + frame.order < use.following.base]
        return build_runs(frames)
    table = RunTable()
    table.runs = use.runs
    assert use.seal is not None
    table.next_order = use.seal.next_order
    table.newest_order = table.next_order - 1
    return table
