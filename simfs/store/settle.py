"""After a power cut the newest frame is in doubt: it may read back whole today and not tomorrow, and a torn one may
stand behind it. A mount that may write settles this: it writes the newest frame again, on the next page, and a
MARK behind it. All of that happens before names and files are read, on the log alone."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.store.blocks import State
from simfs.store.codec import AGAIN_MAX, ENTRY_BYTES, FRAME_BYTES, ORDER_MAX, SEAL_BYTES, U32, Frame, Kind
from simfs.store.errors import CorruptStore
from simfs.store.log import Head
from simfs.store.runs import Run
from simfs.store.scan import Frames, build_runs, counted_frames, end_of
from simfs.store.state import StoreState


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


def tail_of(state: StoreState, which: int, found: Frames) -> Tail:
    """The tail of the head's open block."""
    head = state.log.heads[which]
    assert head is not None
    return Tail(which, head, counted_frames(state, found), found.content_end)


def has_torn_seal(state: StoreState, tail: Tail) -> bool:
    """Whether the seal's place in the block is not blank: its program was cut."""
    runs = len(tail.head.table.runs)
    listed = runs * ENTRY_BYTES if runs <= state.layout.runs_max else 0
    return tail.content_end > max(tail.head.end - SEAL_BYTES - listed, tail.head.at)


def is_settled(state: StoreState, tails: list[Tail]) -> bool:
    """Whether every open block ends as `settle` leaves it. The answer of a mount then rests on sound frames alone."""
    for tail in tails:
        before = tail.counted[-2] if len(tail.counted) > 1 else None
        awake = before is not None and before.kind == Kind.MARK and not before.again and not tail.last.again
        end = tail.last.address + FRAME_BYTES
        if tail.last.kind != Kind.MARK or awake or tail.content_end > end:
            return False
    newest = max(tails, key=Tail.sequence, default=None)
    return newest is None or not newest.last.again


def settle(state: StoreState, tails: list[Tail], newest: int, half_erased: list[int]) -> None:
    """Make the tails sound; `newest` is the sequence number of the newest frame of all blocks but MARKs, `half_erased`
    are the blocks whose erase was announced and may have been cut. Two programs for the head that has the newest frame,
    one for another; more when a block has no room for that."""
    doubtful = next((tail for tail in tails if tail.last.kind != Kind.MARK and tail.sequence() == newest), None)
    for tail in tails:
        if tail is not doubtful:
            _step_over(state, tail)
    if doubtful is not None:
        _write_again(state, doubtful)
    for block in half_erased:  # announced by a frame that is sound now, and not settled before the MARK
        state.segments.erase(block)
    _end_tails(state, tails if doubtful is None else [doubtful, *(tail for tail in tails if tail is not doubtful)])


def _end_tails(state: StoreState, tails: list[Tail]) -> None:
    """Every open block ends in a MARK, the newest of them without `again`."""
    log = state.log
    ended = False
    for tail in reversed(tails):
        head = log.heads[tail.which]
        if head is not None and head.table.runs[-1].kind != Kind.MARK:
            ended = state.segments.end_with_mark([tail.which]) or ended
    if not ended:
        state.segments.end_with_mark(tail.which for tail in tails)


def _write_again(state: StoreState, tail: Tail) -> None:
    """The newest frame once more, with all that it says, where nothing was in flight."""
    log, head, last = state.log, tail.head, tail.last
    payload = state.reader.payload(last)
    length = _length_in_file(last)
    if last.kind == Kind.ERASE:  # as the block is now: it may be erased already, and weak
        last = last._replace(offset=state.blocks.erase_count[last.file])
    head.table = build_runs(tail.counted[:-1])
    again = log.skip_to_page(head, tail.content_end, last.order - last.again)
    if again <= AGAIN_MAX and log.fits(tail.which, last.kind, last.file, last.offset, length, len(payload)):
        run = log.append(tail.which, last.kind, last.file, last.offset, length, payload, again)
    elif last.kind == Kind.ERASE:  # the seal names the block instead
        state.segments.erases_announced.pop(last.file, None)
        _leave_without_last(state, tail, last.file)
        return
    else:
        run = _write_in_next_block(state, tail, length, payload)
    if last.kind == Kind.ERASE:
        state.segments.erases_announced[last.file] = run.address


def _length_in_file(frame: Frame) -> int:
    return frame.length - U32.size if frame.kind == Kind.HOLE else frame.length


def _step_over(state: StoreState, tail: Tail) -> None:
    """This head's newest frame is sound, but something may have been in flight behind it."""
    log, head = state.log, tail.head
    end = head.at
    again = log.skip_to_page(head, tail.content_end, tail.last.order + 1)
    if again <= AGAIN_MAX and log.fits(tail.which, Kind.MARK, 0, 0, 0, 0):
        log.append(tail.which, Kind.MARK, 0, 0, 0, b"", again)
    elif tail.last.kind == Kind.MARK:  # which may be in doubt itself
        _leave_without_last(state, tail, None)
    else:
        head.at = end
        state.segments.leave(tail.which)


def _write_in_next_block(state: StoreState, tail: Tail, length: int, payload: bytes) -> Run:
    """The newest frame goes to a new block, and only then the old one is sealed without it."""
    log, last, old = state.log, tail.last, tail.head.block
    last_sequence = tail.sequence()
    block = state.segments.choose_block(tail.which, cold=False)
    log.heads[tail.which] = None
    if state.blocks.state[block] != State.READY:
        state.segments.announce_anywhere(block)  # not in this block: it has no room
        state.segments.erase(block)
    if log.sequence - last_sequence > ORDER_MAX:
        raise CorruptStore(f"block {old} and another log head's block are too far apart in their sequence numbers")
    state.segments.open(tail.which, block, base=last_sequence + 1)  # what was in flight is as new: it never counts
    run = log.append(tail.which, last.kind, last.file, last.offset, length, payload)
    state.segments.write_seal(
        old, tail.head.table, end_of(tail.counted[:-1], tail.head.block, state.layout), tail.content_end, block
    )
    state.blocks.close(old)
    return run


def _leave_without_last(state: StoreState, tail: Tail, following: int | None) -> None:
    """Seal the block as if its last frame, which says nothing that must be kept, were not there."""
    tail.head.table = build_runs(tail.counted[:-1])
    tail.head.at = end_of(tail.counted[:-1], tail.head.block, state.layout)
    state.segments.leave(tail.which, following, tail.content_end)
