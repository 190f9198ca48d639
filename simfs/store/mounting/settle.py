"""After a power cut only the newest frame is uncertain: it may read back whole today and not tomorrow, and a torn one
may stand after it. A writable mount settles this: it writes the newest frame again on the next page, and a MARK after
it, so that every later mount reads the same. That happens before names and files are read, on the log alone."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.store.format.codec import AGAIN_MAX, ENTRY_BYTES, FENCE_BYTES, FRAME_BYTES, U32, Frame, Kind
from simfs.store.format.layout import Layout, align_up
from simfs.store.log.block_scan import Frames, build_runs, counted_frames
from simfs.store.log.heads import Head
from simfs.store.log.state import StoreState


@dataclass(slots=True)
class Tail:
    """An open block's end: the frames that count, the last of them, and where anything programmed ends."""

    which: int
    head: Head
    counted: list[Frame]
    content_end: int

    @property
    def last(self) -> Frame:
        return self.counted[-1]

    def sequence(self) -> int:
        return self.head.base + self.last.order

    def is_newest(self, newest: int) -> bool:
        """Whether its last frame is the newest of all blocks but MARKs."""
        return self.last.kind != Kind.MARK and self.sequence() == newest

    def stays(self, layout: Layout) -> bool:
        """Whether the last frame surely has room in its block once more, behind a fence."""
        pages = 2 if layout.page_programs_max else 1  # up to the fence
        sizes = (FENCE_BYTES, FRAME_BYTES + self.last.length)
        needed = pages * layout.page_bytes + sum(align_up(size, layout.step) for size in sizes)
        return self.room_bytes() >= needed + ENTRY_BYTES

    def room_bytes(self) -> int:
        return self.head.room_end - self.content_end


def tail_of(state: StoreState, which: int, found: Frames) -> Tail:
    """The tail of the head's open block."""
    head = state.log.heads[which]
    assert head is not None
    return Tail(which, head, counted_frames(state, found), found.content_end)


def is_settled(state: StoreState, tails: list[Tail]) -> bool:
    """Whether every open block ends as `settle` leaves it, so that a mount reads sound frames only. Without an open
    block it does as well: everything in a closed block has a successor, at least the seal."""
    for tail in tails:
        before = tail.counted[-2] if len(tail.counted) > 1 else None
        awake = before is not None and before.kind == Kind.MARK and not before.again and not tail.last.again
        end = tail.last.address + FRAME_BYTES
        if tail.last.kind != Kind.MARK or awake or tail.content_end > end:
            return False
    return not tails or not max(tails, key=Tail.sequence).last.again


def settle(state: StoreState, tails: list[Tail], newest: int) -> None:
    """Make the tails sound; `newest` is the sequence number of the newest frame of all blocks but MARKs. Three programs
    for the head that has the newest frame, two for another; more when a block has no room for that."""
    last = max(tail.sequence() for tail in tails)
    log, heads = state.log, []
    # The newest comes last: what is older than it is sound. But the fullest comes first when it may have to leave its
    # block, so that nothing is written in vain when no block is left for that.
    for tail in sorted(tails, key=lambda tail: (tail.is_newest(newest) and tail.stays(log.layout), tail.room_bytes())):
        if tail.is_newest(newest):
            tail.head.quiet = False
            _write_again(state, tail)
            heads.append(tail.which)
        elif not _is_sound(tail, last):
            tail.head.quiet = False
            _step_over(state, tail)
            heads.append(tail.which)
    _end_tails(state, heads)


def _is_sound(tail: Tail, last: int) -> bool:
    """Whether a tail is as a mount left it while another head has been written to since. Anything written after it
    begins with a fence, which does no harm where a fence was tried before."""
    end = tail.last.address + FRAME_BYTES
    return tail.last.kind == Kind.MARK and tail.content_end == end and tail.sequence() < last


def _end_tails(state: StoreState, heads: list[int]) -> None:
    """Every open block ends in a MARK, the newest of them without `again`."""
    ended = False
    for which in heads:
        head = state.log.heads[which]
        assert head is not None
        if head.table.runs[-1].kind != Kind.MARK:
            state.segments.mark(which)
            ended = True
    if not ended:
        state.segments.mark(heads[-1])


def _write_again(state: StoreState, tail: Tail) -> None:
    """Write the newest frame once more, in a place where nothing was in flight."""
    log, head, last = state.log, tail.head, tail.last
    payload = state.reader.payload(last)
    length = last.length - U32.size if last.kind == Kind.HOLE else last.length
    head.table = build_runs(tail.counted[:-1])
    bottom = last.order - last.again
    again = log.fence(head, tail.content_end, bottom)
    if again > AGAIN_MAX or not log.fits(tail.which, last.kind, last.file, last.offset, length, len(payload)):
        state.segments.abandon(tail.which, head.base + bottom)
        again = 0
    log.append(tail.which, last.kind, last.file, last.offset, length, payload, again)


def _step_over(state: StoreState, tail: Tail) -> None:
    """Step over what may have been in flight after this head's newest frame, which is sound or a MARK."""
    log, head, last = state.log, tail.head, tail.last
    bottom = last.order - last.again if last.kind == Kind.MARK else last.order + 1
    again = log.fence(head, tail.content_end, bottom)
    if again > AGAIN_MAX or not log.fits(tail.which, Kind.MARK, 0, 0, 0, 0):
        state.segments.abandon(tail.which, head.base + bottom)
        again = 1  # as in the old block: a MARK without it would be one of a log that is awake
    log.append(tail.which, Kind.MARK, 0, 0, 0, b"", again)
