"""Mounting: everything is found on the flash. Headers first, then each block's runs, then the claims on names and, in
the order of their sequence numbers, the runs of the files that the claims leave."""

from __future__ import annotations

from dataclasses import dataclass, field

from simfs.flash import NorFlash
from simfs.store.blocks import State
from simfs.store.codec import (
    ENTRY_BYTES,
    ERASE_RECORD_BYTES,
    FRAME_BYTES,
    NO_BLOCK,
    RECORD_BYTES,
    SEAL_BYTES,
    VERSION,
    Kind,
    OpenRecord,
    Seal,
    decode_erase_count,
    decode_open_record,
    erase_record_version,
)
from simfs.store.errors import CorruptStore
from simfs.store.layout import align_up
from simfs.store.replayed import replay_claims, replay_data
from simfs.store.runs import Run, RunTable
from simfs.store.scan import Frames, build_runs, counted_frames, read_frames, read_seal
from simfs.store.settle import has_torn_seal, is_settled, settle, tail_of
from simfs.store.setup import check_geometry, config_of
from simfs.store.state import StoreState


@dataclass(slots=True)
class Header:
    """The first 64 bytes of a block. `content`: something stands in it that is no sound header."""

    block: int
    erase_count: int | None = None
    record: OpenRecord | None = None
    salt: int = 0
    content: bool = False
    version: int | None = None


@dataclass(slots=True)
class Used:
    """A block that holds frames, as a mount found it."""

    block: int
    record: OpenRecord
    seal: Seal | None
    runs: list[Run] | None = None
    found: Frames | None = None
    table: RunTable = field(default_factory=RunTable)


def read_header(flash: NorFlash, block: int, block_bytes: int) -> Header:
    """One read of 64 bytes."""
    raw = flash.read(block * block_bytes, RECORD_BYTES)
    header = Header(block, decode_erase_count(raw))
    if header.erase_count is None:
        header.content = raw != b"\xff" * RECORD_BYTES
        header.version = erase_record_version(raw)
        return header
    if raw[ERASE_RECORD_BYTES:] == b"\xff" * (RECORD_BYTES - ERASE_RECORD_BYTES):
        return header
    opened = decode_open_record(raw[ERASE_RECORD_BYTES:], header.erase_count)
    if opened is None:
        header.content = True
    else:
        header.record, header.salt = opened
    return header


def load(flash: NorFlash, writable: bool) -> StoreState:
    """The state of the store on the flash. Reads 64 bytes a block, the seals with their run entries, the blocks that
    list none, and the frames that speak of names. When `writable`, what a power cut left in doubt is settled by
    writing; a second time there is nothing to settle, and nothing is written. CorruptStore when there is no sound
    store."""
    state, used = survey(flash)
    if writable:
        state.log.tail_is_old = _settle(flash, state, used)
    runs = [(use.record.base, use.table.runs) for use in used.values()]
    runs += [(head.base, head.table.runs) for head in state.log.heads if head is not None and head.block not in used]
    replay_data(state, runs, replay_claims(state, runs))
    return state


def survey(flash: NorFlash) -> tuple[StoreState, dict[int, Used]]:
    """The blocks with their runs, and the log heads; nothing is known yet of names and files. Writes nothing."""
    block_bytes = flash.geometry.block_bytes
    headers = [read_header(flash, block, block_bytes) for block in range(flash.geometry.block_count)]
    state = _state_of(flash, headers)
    used = {header.block: _read_used(state, header) for header in headers if header.record is not None}
    erasing = _find_announced(state, used, headers)
    used = {block: use for block, use in used.items() if block not in erasing}
    _place_blocks(state, headers, used, erasing)
    used = {block: use for block, use in used.items() if state.blocks.state[block] != State.FREED}
    for block in _doubtful_blocks(state, used):
        state.blocks.doubt(block)
    return state, used


def _settle(flash: NorFlash, state: StoreState, used: dict[int, Used]) -> bool:
    """Write what takes the doubt out of the log's tails; whether there was none."""
    for block, use in used.items():
        if use.found is not None and use.seal is None and state.blocks.state[block] == State.CLOSED:
            _seal_late(state, use)
    for block in [block for block in state.blocks.freed if block in state.opened_empty]:
        state.log.erase(block)
    tails = []
    for which, head in enumerate(state.log.heads):
        if head is not None:
            found = used[head.block].found
            assert found is not None
            tails.append(tail_of(state, which, found))
    if not tails or is_settled(state, tails):
        return True
    if not state.blocks.ready and not state.blocks.freed:
        _free_dead_blocks(flash, state, used)
    settle(state, tails)
    for tail in tails:
        used[tail.head.block].table = tail.head.table
    return False


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
    for block, (_, erase_count, address) in newest.items():
        if block >= len(headers):
            raise CorruptStore(f"an ERASE frame names block {block}; the flash has {len(headers)}")
        recorded = headers[block].erase_count
        if recorded is None or recorded <= erase_count:
            erasing.add(block)
            state.blocks.note_erase_count(block, erase_count)
            state.log.erases_announced[block] = address
    return erasing


def _announcements(use: Used) -> list[tuple[int, int, int, int]]:
    frames = use.runs if use.runs is not None else use.found.frames if use.found else []
    return [(frame.order, frame.file, frame.offset, frame.address) for frame in frames if frame.kind == Kind.ERASE]


def _place_blocks(state: StoreState, headers: list[Header], used: dict[int, Used], erasing: set[int]) -> None:
    """Give every block its state, the heads their blocks, and the log its next sequence number."""
    blocks, log = state.blocks, state.log
    _judge_unused(state, headers, used, erasing)
    in_order = sorted(used.values(), key=lambda use: use.record.base)
    newest: dict[int, int] = {}  # head: its newest block that holds frames
    for rank, use in enumerate(in_order):
        use.table = _table(state, use)
        log.sequence = max(log.sequence, use.record.base + use.table.next_order)
        if not use.table.runs and use.seal is None:  # opened, then cut: no head
            blocks.free_unlisted(use.block)
            state.opened_empty.add(use.block)
            continue
        newest[use.record.head] = use.block
        blocks.written_at[use.block] = (rank - len(used)) * state.layout.block_bytes
    for use in in_order:
        if use.block in state.opened_empty:
            continue
        if use.seal is None and newest[use.record.head] == use.block:
            _take_up_head(state, use)
        else:
            blocks.close(use.block)


def _take_up_head(state: StoreState, use: Used) -> None:
    """The log goes on in this block, unless its seal was cut: then it is closed, and all its frames count."""
    assert use.found is not None
    layout, which = state.layout, use.record.head
    state.blocks.take_over(use.block)
    at = align_up(use.found.end, layout.step)
    page_start = at - at % layout.page_bytes
    in_page = sum(frame.address + FRAME_BYTES + frame.length > page_start for frame in use.found.frames)
    records = 2 if at % layout.block_bytes < layout.page_bytes else 0
    state.log.resume(which, use.block, at, use.table, in_page + records)
    if has_torn_seal(state, tail_of(state, which, use.found)):
        state.log.close(which)


def _seal_late(state: StoreState, use: Used) -> None:
    """A cut came between a head's new block and the seal of its old one."""
    assert use.found is not None
    runs, start = use.table.runs, use.block * state.layout.block_bytes
    seal_start = start + state.layout.block_bytes - SEAL_BYTES
    if len(runs) <= state.layout.runs_max:
        seal_start -= len(runs) * ENTRY_BYTES
    if use.found.content_end <= seal_start:
        state.log.write_seal(use.block, runs, use.found.end, use.found.content_end, NO_BLOCK)


def _free_dead_blocks(flash: NorFlash, state: StoreState, used: dict[int, Used]) -> None:
    """The log cannot go on unless a dead block is erased: find them as a mount that writes nothing would."""
    seen = load(flash, writable=False)
    for block in [block for block in used if seen.blocks.state[block] == State.CLOSED and not seen.blocks.live[block]]:
        state.blocks.free(block, -1)
        del used[block]


def _table(state: StoreState, use: Used) -> RunTable:
    if use.runs is None:
        assert use.found is not None
        return build_runs(counted_frames(state, use.found))
    table = RunTable()
    table.runs = use.runs
    if use.runs:
        table.next_order = max(run.order for run in use.runs) + 1
    return table


def _judge_unused(state: StoreState, headers: list[Header], used: dict[int, Used], erasing: set[int]) -> None:
    blocks, block_bytes = state.blocks, state.layout.block_bytes
    for header in headers:
        block = header.block
        if block in used:
            continue
        if block in erasing:
            blocks.free_unlisted(block)
        elif not header.content:
            blocks.make_ready(block)
        elif state.flash.blank(block * block_bytes + RECORD_BYTES, block_bytes - RECORD_BYTES):
            if header.erase_count is None:
                blocks.note_erase_count(block, blocks.erase_count_max)  # lost: the highest is no understatement
            blocks.free_unlisted(block)
        else:
            raise CorruptStore(
                f"block {block} holds data behind a damaged header (flash address {block * block_bytes:#x})"
            )


def _doubtful_blocks(state: StoreState, used: dict[int, Used]) -> list[int]:
    """Ready blocks that may be blank but weak, or half programmed: the one whose ERASE frame is the newest frame of
    all, and those that a head without an open block was about to open."""
    doubtful = set()
    for use in used.values():
        for run in use.table.runs:
            if run.kind == Kind.ERASE and use.record.base + run.order == state.log.sequence - 1:
                doubtful.add(run.file)
    for which, head in enumerate(state.log.heads):
        sealed = [use for use in used.values() if use.record.head == which and use.seal is not None]
        if head is None and sealed:
            last = max(sealed, key=lambda use: use.record.base)
            if last.seal is not None and last.seal.next != NO_BLOCK:
                doubtful.add(last.seal.next)
    return sorted(block for block in doubtful if block < len(state.blocks) and state.blocks.state[block] == State.READY)
