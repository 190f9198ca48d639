"""A recovery in a block whose lead has no place left: the statement goes to a dead block, erased for it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

from simfs.flash import FlashError, NorFlash
from simfs.store.cleaning.mover import Mover
from simfs.store.format.codec import FRAME_BYTES, NOWHERE, salt_of
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import KILLED_BYTES, Layout, align_up
from simfs.store.format.runs import RunTable
from simfs.store.format.statement import Left, Statement, statement_bytes
from simfs.store.log.block_scan import scan
from simfs.store.log.marks import program_mark, program_statement
from simfs.store.log.statements import NAMED
from simfs.store.recovery.tail import Doubtful, Tail, encoded
from simfs.store.tables.blocks import SUM_END

NUMBER_GAP = 1 << 16  # above the numbers of whatever was tried in the lead


def kill(flash: NorFlash, layout: Layout, block: int, begin: int = 0) -> None:
    """Make sure that no statement that was tried in a dead block before can ever be read again: a cut erase might leave
    it. Then the last page comes first, so that what was moved along before a statement outlives it. Without page
    packing each END is killed before all else, so that no END can be read whose statement this has hurt. With it a cut
    might leave marks beside END while the statement is still there: the first page comes first, behind a mark of its
    own, which says that this has begun. Where units can be programmed once only, this can't be had. One read
    of the block, two programs a page and a few more. Raises FlashError where that mark or an END fails; what fails
    else is left."""
    start = block * layout.block_bytes
    if layout.can_kill or layout.page_packing:
        # should the statement return after all, nobody goes on in the block
        program_mark(flash, layout, start + layout.killing_at)
    if not layout.can_kill:
        return
    if not layout.page_packing:
        for said in scan(flash.read(start, layout.block_bytes), block, layout).statements:
            flash.program(start + layout.place_of(said).end, bytes(KILLED_BYTES))
    parts = {layout.place(0, 0).statement, layout.end_at}  # not the marks, which would speak for a statement
    for page in layout.places(begin)[:: 1 if layout.page_packing else -1]:
        for at in sorted(parts):
            with suppress(FlashError):
                flash.program(start + page + at, bytes(KILLED_BYTES))


def move(tail: Tail) -> None:
    """State it in a dead block that the ruling statement names, moving another block's live frames along where no other
    dead one would be left. Raises OutOfBlocks."""
    names = tail.sure_names()
    was_left = tail.state.segments.is_left
    tail.state.segments.mark_left()
    failed: list[int] = []
    if was_left:  # one of them may have been tried before
        for block in names if tail.layout.can_kill else names[1:]:
            try:
                _make_harmless(tail, block)
            except FlashError:
                failed.append(block)
    for block in [one for one in names if one not in failed]:
        for victim in dict.fromkeys((_victim(tail), None)):
            with suppress(FlashError, CorruptStore):
                if _state_in(tail, block, victim, failed):
                    return
        failed.append(block)
    raise tail.state.blocks.exhausted()


def _make_harmless(tail: Tail, block: int) -> None:
    """See to it that no statement tried in this dead block counts later, when another one has taken it up. Where
    statements can't be killed the block is erased, unless it still begins as in an earlier life, and so was not."""
    if tail.layout.can_kill:
        kill(tail.state.flash, tail.layout, block)
    elif tail.found.ruling.lives[block] is None:
        with suppress(FlashError):
            tail.state.segments.erase(block)


def begin_anew(tail: Tail) -> None:
    """The lead is full of statements that were tried, none of which counts for sure: erase it, and state the same
    again, with what was moved along before the first one. Raises FlashError."""
    first, page = tail.tried_from(), tail.layout.page_bytes
    moved = [(at, tail.scan.raw[at : at + page].rstrip(b"\xff")) for at in range(0, first, page)]
    kill(tail.state.flash, tail.layout, tail.lead, first)
    tail.state.segments.erase(tail.lead)
    for at, raw in moved:
        if raw:
            tail.log.program(tail.start + at, raw)
    said = replace(tail.said, end=NOWHERE, other=tail.other, left=tuple(tail.left))
    frame = encoded(said, tail.lead, tail.doubtful)
    program_statement(tail.log, tail.lead, tail.layout.place(first, len(frame)), frame, said, goes_on=False)


def _victim(tail: Tail) -> int | None:
    """A block whose live frames are moved along, so that it can be named: one without any, or, where no other is named,
    the one with the least; none, where they don't fit."""
    blocks = tail.state.blocks
    closed = [block for block in blocks.closed if block not in blocks.failing]
    victim = min([*closed, tail.lead], key=lambda block: (blocks.live[block], block != tail.lead, block))
    fits = not blocks.live[victim] or (len(tail.said.named) < NAMED and _fits_with(tail, blocks.live[victim], victim))
    return victim if fits else None


def _fits_with(tail: Tail, moved_bytes: int, victim: int) -> bool:
    """Whether a block has room for that and the statement behind it, which names the victim to go on in."""
    layout, doubtful = tail.layout, _doubtful_beside(tail, victim)
    frame = 0 if doubtful is None else FRAME_BYTES + doubtful.frame.length
    at = align_up(layout.first + moved_bytes, layout.page_bytes)
    place = layout.place(at, statement_bytes(len(tail.log.heads), len(tail.left) + 1, frame))
    return place.frames <= layout.room_end()


def _doubtful_beside(tail: Tail, victim: int | None) -> Doubtful | None:
    """The frame in doubt, unless it is moved with its block."""
    return None if tail.doubtful is not None and tail.doubtful.block == victim else tail.doubtful


def _state_in(tail: Tail, block: int, victim: int | None, failed: list[int]) -> bool:
    """Erase a dead block, write again in it what is live in the victim, and state it all behind that. False when there
    is no room; raises FlashError, and CorruptStore where something of the victim can't be read."""
    state, log, layout = tail.state, tail.log, tail.layout
    start = block * layout.block_bytes
    state.segments.erase(block)
    base = tail.number + NUMBER_GAP * (1 + len(failed))  # above a statement in a block that failed behind it
    state.blocks.hold(block, base, salt_of(block, base))
    log.heads = [None] * len(log.heads)
    head = log.resume(len(log.heads) - 1, block, start + layout.first, RunTable(), 0)
    log.sequence, log.on_failure = base, _give_up
    if victim is not None and state.blocks.live[victim]:
        Mover(state, lambda *frame: _fit(tail, *frame), lambda: True).move(victim)
    moved_any = head.at > start + layout.first  # not where only names were live that nothing needs any more
    at = align_up(head.at - start, layout.page_bytes) if moved_any else 0
    doubtful = _doubtful_beside(tail, victim)
    said = _said_in(tail, block, base, log.sequence - base + (doubtful is not None), victim, failed)
    raw = encoded(said, block, doubtful)
    place = layout.place(at, len(raw))
    if place.frames > layout.room_end():
        return False
    program_statement(log, block, place, raw, said, goes_on=False)
    return True


def _said_in(tail: Tail, block: int, base: int, order: int, victim: int | None, failed: list[int]) -> Statement:
    said, blocks = tail.said, tail.state.blocks
    left = [*tail.left, *(Left(one, 0, 0) for one in failed)]
    if victim != tail.lead:
        left.append(Left(tail.lead, said.base, tail.end))
    named = [one for one in said.named if one not in (block, *failed)] + ([] if victim is None else [victim])
    gone = (0, 0) if victim is None else (tail.found.used[victim].base, victim + 1)
    said = replace(
        said, base=base, order=order, end=NOWHERE, other=tail.other, left=tuple(left),
        erase_count=blocks.erase_count[block], erase_count_max=blocks.erase_count_max,
        before=tail.lead, before_base=said.base,
        base_sum=(said.base_sum - gone[0] + base) % SUM_END,
        place_sum=(said.place_sum - gone[0] * gone[1] + base * (block + 1)) % SUM_END,
    )  # fmt: skip
    return tail.with_names(said, named)


def _fit(tail: Tail, kind: int, file: int, offset: int, length: int, payload_bytes: int) -> int:
    which = len(tail.log.heads) - 1
    if not tail.log.fits(which, kind, file, offset, length, payload_bytes, unlisted=True):
        raise FlashError("program", 0)
    return which


def _give_up(_which: int) -> None:
    raise FlashError("program", 0)
