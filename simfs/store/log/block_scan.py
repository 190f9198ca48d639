"""Reading a block as a mount and the cleaner see it: its runs, from the seal when that lists them, else frame by
frame."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache, partial

from simfs.store.format.codec import (
    ENTRY,
    ENTRY_BYTES,
    FENCE_BYTES,
    FRAME_BYTES,
    HEADER_BYTES,
    HOLE,
    KINDS,
    MAGIC,
    MARK,
    ORDER_MAX,
    SEAL_BYTES,
    SEALED,
    U32,
    UNLISTED,
    Frame,
    Kind,
    Seal,
    decode_header,
    payload_is_sound,
    seal_check,
)
from simfs.store.format.layout import Layout, align_up
from simfs.store.format.runs import PLACE_MASK, Entry, Run, RunTable, runs_listed
from simfs.store.log.frame_reader import damaged
from simfs.store.log.state import StoreState

Listing = tuple[Seal, list[Entry] | None]
Sealed = tuple[Seal, list[Run] | None]


@dataclass(slots=True)
class Frames:
    """The frames of one block as they were found. Addresses are of the flash.

    end          where the last sound frame ends
    content_end  where the last byte ends that is not blank, or that the sound header of a torn frame announces
    gaps         (from, to) stretches between sound frames that hold anything but sound frames
    """

    frames: list[Frame] = field(default_factory=list)
    end: int = 0
    content_end: int = 0
    gaps: list[tuple[int, int]] = field(default_factory=list)
    counted: list[Frame] | None = None  # once `counted_frames` was asked
    table: RunTable | None = None  # once `table_of` was asked


def read_listing(state: StoreState, block: int) -> Listing | None:
    """The block's seal with the run entries that it lists (None: it lists none); None when there is no sound one. It
    counts only when nothing stands between the end of the frames and itself: after a cut, frames may have gone on
    where it read as blank. Two reads, three when runs are listed."""
    flash, layout = state.flash, state.layout
    size, first = layout.block_bytes, layout.first
    start = block * size
    raw = flash.read(start + size - SEAL_BYTES, SEAL_BYTES)
    magic, entry_count, end, next_order, zero, check = SEALED.unpack(raw)
    if magic != MAGIC:
        return None
    listed = 0 if entry_count == UNLISTED else entry_count
    stop = size - SEAL_BYTES - listed * ENTRY_BYTES
    if listed > layout.runs_max or not first <= end <= stop:
        return None
    rows = flash.read(start + stop, listed * ENTRY_BYTES)
    if seal_check(rows, raw, state.blocks.salt[block]) != check:
        return None
    if end < stop and not flash.blank(start + end, stop - end):
        return None
    entries = list(ENTRY.iter_unpack(rows))
    for entry in entries:
        if not first <= entry[0] & PLACE_MASK <= end:
            return None
    return Seal(entry_count, end, next_order, zero), None if entry_count == UNLISTED else entries


def read_seal(state: StoreState, block: int) -> Sealed | None:
    """The same with the entries as runs."""
    seal, entries = read_listing(state, block) or (None, None)
    if seal is None:
        return None
    return seal, None if entries is None else runs_listed(entries, block * state.layout.block_bytes)


def runs_of(state: StoreState, block: int) -> list[Run]:
    """The runs of a closed block. CorruptStore when its frames are damaged."""
    base, below = state.blocks.base[block], state.blocks.in_doubt.get(block)
    sealed = read_seal(state, block) if below is None else None
    if sealed is not None and sealed[1] is not None:
        return sealed[1]
    found = read_frames(state, block, sealed[0].end if sealed is not None else state.layout.block_bytes)
    if sealed is not None:
        check_end(state, block, found, sealed[0])
    frames = counted_frames(state, found)
    return build_runs([frame for frame in frames if below is None or base + frame.order < below]).runs


def read_frames(state: StoreState, block: int, stop: int) -> Frames:
    """The frames of a block up to byte `stop`, whatever stands between them. One read of the block."""
    layout, salt = state.layout, state.blocks.salt[block]
    start = block * layout.block_bytes
    raw = state.flash.read(start, stop)
    end = len(raw.rstrip(b"\xff"))
    frame_at = cache(
        partial(_frame_at, raw, start, salt, layout.payload_max)
    )  # no place of a damaged block is read twice
    found = Frames(end=start + layout.first)
    at = layout.first  # of the next frame
    place = 0  # where one stands after a gap at the latest
    while at + FRAME_BYTES <= stop:
        frame = frame_at(at)
        following = None if frame is None else _resumed_within(frame_at, at, frame, layout)
        if frame is None or following is not None:
            if following is None and place <= at:
                place = next(filter(frame_at, _places(at, end, layout)), layout.block_bytes)
            following = following or _resume(frame_at, raw[:end], at, place, layout)
            if following is None:
                break
            found.gaps.append((start + at, start + following))
            at = following
            continue
        found.frames.append(frame)
        found.end = start + at + FRAME_BYTES + frame.length
        at = align_up(at + FRAME_BYTES + frame.length, layout.step)
    found.content_end = max(start + end, found.end, _announced(raw, start, salt, at, end, layout))
    return found


def _announced(raw: bytes, start: int, salt: int, at: int, end: int, layout: Layout) -> int:
    """The address where a torn frame at offset `at`, or one that a recovery tried behind it, would have ended by its
    header; 0 when there is none. Its last program may have been cut without a trace."""
    announced = 0
    for place in (at, *_places(at, end, layout)) if at < end else ():
        header = raw[place : place + HEADER_BYTES]
        torn = decode_header(header, start + place, salt) if len(header) == HEADER_BYTES else None
        if torn is not None:
            announced = max(announced, torn.address + FRAME_BYTES + torn.length)
    return announced


def check_end(state: StoreState, block: int, found: Frames, seal: Seal) -> None:
    """CorruptStore unless the sound frames of a sealed block reach as far as its seal says."""
    left = block * state.layout.block_bytes + seal.end - found.end
    if left > 0 and not state.flash.blank(found.end, left):
        raise damaged(found.end, state.layout)


def _frame_at(raw: bytes, start: int, salt: int, payload_max: int, at: int) -> Frame | None:
    """The sound frame at offset `at` of a block's bytes, or None."""
    if at + FRAME_BYTES > len(raw):
        return None
    frame = decode_header(raw[at : at + HEADER_BYTES], start + at, salt)
    if frame is None or at + FRAME_BYTES + frame.length > len(raw) or frame.length > payload_max:
        return None
    if frame.again > frame.order or (frame.kind == Kind.HOLE and frame.length < U32.size):
        return None
    return frame if payload_is_sound(raw[at : at + FRAME_BYTES + frame.length], frame.length, salt) else None


FrameAt = Callable[[int], Frame | None]


def _resumed_within(frame_at: FrameAt, at: int, frame: Frame, layout: Layout) -> int | None:
    """Where a frame written again stands on the later pages of this frame. Then this frame was cut before it reached
    them, and passes its CRC-32 only because a byte or two of the other happen to be the same."""
    for place in _places(at + 1, at + FRAME_BYTES + frame.length, layout):
        inner = frame_at(place)
        if inner is not None and inner.again:
            return place
    return None


def _places(at: int, end: int, layout: Layout) -> Iterator[int]:
    """Where frames may go on from offset `at`: at the start of a page, when programs of the page before are used up,
    or behind the fence that a mount put there after a cut."""
    for page in range(align_up(at, layout.page_bytes), end, layout.page_bytes):
        yield page
        yield align_up(page + FENCE_BYTES, layout.step)


def _resume(frame_at: FrameAt, raw: bytes, at: int, place: int, layout: Layout) -> int | None:
    """Where sound frames go on after offset `at`, which holds none: at this place, where they may, else anywhere, which
    is damage. What stands from the end of `raw` on is blank."""
    if place < len(raw):
        return place
    rest = range(align_up(at + 1, layout.step), len(raw), layout.step)
    return next((there for there in rest if raw[there] in KINDS and frame_at(there)), None)


def counted_frames(state: StoreState, found: Frames) -> list[Frame]:
    """The frames that count, in the order of their addresses. A frame written again voids what it replaces. The newest
    comes first, since a frame that is void itself voids nothing. CorruptStore when frames are missing that no frame
    declares void."""
    if found.counted is None:
        found.counted = _counted(state, found)
    return found.counted


def _counted(state: StoreState, found: Frames) -> list[Frame]:
    resumed = {gap_end: gap_start for gap_start, gap_end in found.gaps}
    counted: list[Frame] = []
    below = ORDER_MAX + 1  # frames count only with an order below this
    void_from = 0  # gaps from here on are declared void
    for frame in reversed(found.frames):
        counts = frame.order < below
        if counts:
            counted.append(frame)
            below = frame.order - frame.again
            void_from = frame.address if frame.again else 0
        gap_start = resumed.get(frame.address)
        if gap_start is not None and not void_from and not state.flash.blank(gap_start, frame.address - gap_start):
            raise damaged(gap_start, state.layout)
    counted.reverse()
    return counted


def table_of(state: StoreState, found: Frames) -> RunTable:
    """The runs of the frames that count, for the caller to go on with. CorruptStore as above."""
    if found.table is None:
        found.table = build_runs(counted_frames(state, found))
    return found.table.copy()


def end_of(frames: list[Frame], block: int, layout: Layout) -> int:
    """The address where these frames of a block end."""
    last = frames[-1] if frames else None
    return block * layout.block_bytes + layout.first if last is None else last.address + FRAME_BYTES + last.length


def build_runs(frames: list[Frame]) -> RunTable:
    """The runs of a block's frames, which come in their order."""
    table = RunTable()
    for kind, _, length, file, offset, order, address in frames:
        table.add(kind, address, order, length - U32.size if kind == HOLE else length, file, offset)
    table.newest_order = next((frame.order for frame in reversed(frames) if frame.kind != MARK), -1)
    return table
