"""A first look at a flash: each block's state, its runs, and the log heads. Nothing is known yet of names and files."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from simfs.flash import NorFlash
from simfs.store.blocks import State
from simfs.store.codec import FRAME_BYTES, RECORD_BYTES, VERSION, Frame, Kind, OpenRecord, Seal
from simfs.store.errors import CorruptStore
from simfs.store.headers import Header, read_header
from simfs.store.layout import align_up
from simfs.store.runs import Run, RunTable
from simfs.store.scan import Frames, build_runs, check_end, counted_frames, read_frames, read_seal
from simfs.store.settle import has_torn_seal, tail_of
from simfs.store.setup import check_geometry, config_of
from simfs.store.state import StoreState


@dataclass(slots=True)
class Used:
    """A block that holds frames, as a mount found it."""

    block: int
    record: OpenRecord
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
        return self.record.base + self.table.newest_order


def survey(flash: NorFlash) -> tuple[StoreState, dict[int, Used]]:
    """The state of the blocks and the log, and the blocks that hold frames. Writes nothing. CorruptStore when there
    is no sound store."""
    block_bytes = flash.geometry.block_bytes
    headers = [read_header(flash, block, block_bytes) for block in range(flash.geometry.block_count)]
    state = _state_of(flash, headers)
    used = {header.block: _read_used(state, header) for header in headers if header.record is not None}
    ignored = _find_announced(state, used, headers)
    for block in ignored:
        used.pop(block, None)
    ignored |= _take_up_heads(state, used)
    state.torn = {block for block, use in used.items() if not use.holds_frames}
    ignored |= state.torn
    used = {block: use for block, use in used.items() if block not in ignored}
    _close_others(state, used)
    _judge_unused(state, headers, used, ignored)
    for block in _doubtful_blocks(state, used.values()):
        state.blocks.doubt(block)
        state.doubted.add(block)
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
        state.blocks.salt[header.block] = header.salt
        if header.record is not None:
            state.blocks.base[header.block] = header.record.base
        if header.erase_count is not None:
            state.blocks.recorded[header.block] = True
            state.blocks.note_erase_count(header.block, header.erase_count)
    return state


def _read_used(state: StoreState, header: Header) -> Used:
    """The block's runs; those of an unlisted block once its frames have been read. Nothing is judged yet: the block
    may be half erased."""
    assert header.record is not None
    sealed = read_seal(state, header.block)
    use = Used(header.block, header.record, sealed[0] if sealed else None, sealed[1] if sealed else None)
    if use.runs is None:
        use.found = read_frames(state, header.block, use.seal.end if use.seal else state.layout.block_bytes)
    return use


def _find_announced(state: StoreState, used: dict[int, Used], headers: list[Header]) -> set[int]:
    """The blocks that were being erased: a newest ERASE frame names a count that the block's own record has not
    passed."""
    newest: dict[int, tuple[int, int, int]] = {}  # block: (sequence, erase count, address)
    for use in used.values():
        base = use.record.base
        for order, block, erase_count, address in _announcements(use):
            newest[block] = max(newest.get(block, (-1, 0, 0)), (base + order, erase_count, address))
    erasing = set()
    for block, (sequence, erase_count, address) in newest.items():
        if block >= len(headers):
            raise CorruptStore(f"an ERASE frame names block {block}; the flash has {len(headers)}")
        header = headers[block]
        if header.erase_count is None and header.believe(erase_count + 1):
            if header.record is not None and header.record.base > sequence:
                raise CorruptStore(f"block {block} has a damaged erase record, and holds data")
            header.erase_count = None
        recorded = header.erase_count
        if recorded is None or recorded <= erase_count:
            erasing.add(block)
            state.blocks.note_erase_count(block, erase_count)
            state.segments.erases_announced[block] = address
    return erasing


def _announcements(use: Used) -> list[tuple[int, int, int, int]]:
    frames = use.runs if use.runs is not None else use.found.frames if use.found else []
    return [(frame.order, frame.file, frame.offset, frame.address) for frame in frames if frame.kind == Kind.ERASE]


def _take_up_heads(state: StoreState, used: dict[int, Used]) -> set[int]:
    """Give the heads their blocks. What a head without an open block was about to open is ignored, whatever it holds:
    it may be half erased or half programmed."""
    named = set()
    for which in range(len(state.log.heads)):
        own = [use for use in used.values() if use.record.head == which and use.holds_frames]
        if not own:
            continue
        newest = max(own, key=lambda use: use.record.base)
        newest.table = _table(state, newest)
        following = newest.seal.next if newest.seal is not None else newest.record.next
        if newest.seal is None and _take_up_head(state, newest):
            continue
        if following >= len(state.blocks) or (following in used and used[following].record.base > newest.record.base):
            continue  # none was named, or another head has opened it since
        state.segments.named[which] = following
        named.add(following)
    return named


def _take_up_head(state: StoreState, use: Used) -> bool:
    """The log goes on in this block, unless its seal was cut: then it is closed, and all its frames count."""
    assert use.found is not None
    layout, which = state.layout, use.record.head
    at = align_up(use.found.end, layout.step)
    page_start = at - at % layout.page_bytes
    in_page = sum(frame.address + FRAME_BYTES + frame.length > page_start for frame in use.found.frames)
    records = 2 if at % layout.block_bytes < layout.page_bytes else 0
    state.blocks.take_over(use.block)
    state.log.resume(which, use.block, at, use.table, in_page + records)
    torn = has_torn_seal(state, tail_of(state, which, use.found))
    if torn:
        state.log.heads[which] = None
    return not torn


def _close_others(state: StoreState, used: dict[int, Used]) -> None:
    """All blocks with frames that are no heads are closed; the log's next sequence number is known."""
    blocks, log = state.blocks, state.log
    heads = {head.block for head in log.heads if head is not None}
    following: dict[int, Used] = {}  # by head: the block that it opened next
    in_order = sorted(used.values(), key=lambda use: use.record.base)
    for use in reversed(in_order):
        if use.block not in heads:
            use.following = following.get(use.record.head)
            use.table = _table(state, use)
        following[use.record.head] = use
    for rank, use in enumerate(in_order):
        log.sequence = max(log.sequence, use.record.base + use.table.next_order)
        blocks.written_at[use.block] = (rank - len(used)) * state.layout.block_bytes
        if use.block not in heads:
            blocks.close(use.block)
    for block in state.torn:  # opened, then cut: what was in flight there must not meet its number again
        log.sequence = max(log.sequence, blocks.base[block] + 1)


def frames_that_count(state: StoreState, use: Used) -> list[Frame]:
    """In a block that was left without a seal, nothing counts that is as new as the block opened next: it was in
    flight, and in doubt, when that was opened."""
    assert use.found is not None
    frames = counted_frames(state, use.found)
    if use.seal is not None or use.following is None:
        return frames
    return [frame for frame in frames if use.record.base + frame.order < use.following.record.base]


def _table(state: StoreState, use: Used) -> RunTable:
    """The block's runs."""
    if use.runs is None:
        assert use.found is not None
        if use.seal is not None:
            check_end(state, use.block, use.found, use.seal)
        return build_runs(frames_that_count(state, use))
    table = RunTable()
    table.runs = use.runs
    assert use.seal is not None
    table.next_order = use.seal.next_order
    table.newest_order = table.next_order - 1
    return table


def _judge_unused(state: StoreState, headers: list[Header], used: dict[int, Used], ignored: set[int]) -> None:
    blocks, block_bytes = state.blocks, state.layout.block_bytes
    for header in headers:
        block = header.block
        if block in used:
            continue
        if block in ignored:
            _check_named(state, header)
            if header.erase_count is None and block not in state.segments.erases_announced and header.content:
                blocks.note_erase_count(block, blocks.erase_count_max)  # lost: the highest is no understatement
            blocks.free_unlisted(block)
        elif not header.content:
            blocks.make_ready(block)
        elif state.flash.blank(block * block_bytes + RECORD_BYTES, block_bytes - RECORD_BYTES):
            state.torn.add(block)
            blocks.free_unlisted(block)
        else:
            place = block * block_bytes
            raise CorruptStore(f"block {block} holds data behind a damaged header (flash address {place:#x})")


def _check_named(state: StoreState, header: Header) -> None:
    """CorruptStore when the block that a head was to open has a damaged header, not a half programmed one: frames
    stand behind it, and its last erase was complete."""
    block, size = header.block, state.layout.block_bytes
    if not header.content or block in state.segments.erases_announced:
        return
    complete = header.erase_count is not None or header.believe(0)
    if complete and not state.flash.blank(block * size + RECORD_BYTES, size - RECORD_BYTES):
        raise CorruptStore(f"block {block} holds data behind a damaged header (flash address {block * size:#x})")


def _doubtful_blocks(state: StoreState, used: Iterable[Used]) -> list[int]:
    """The ready block whose ERASE frame is the newest frame of all may be blank but weak."""
    erased = (
        run.file
        for use in used
        for run in use.table.runs
        if run.kind == Kind.ERASE and use.record.base + run.order == state.log.sequence - 1
    )
    return [block for block in erased if state.blocks.state[block] == State.READY]
