"""After a power cut only the newest frame is uncertain: it may read back whole today and not tomorrow, and something
torn may stand behind it, seen or not. A writable mount writes one new statement, at a place where nothing was in
flight: it carries that frame whole, and says where everything else ends. FORMAT.md has the argument."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

from simfs.flash import FlashError
from simfs.store.format.codec import ORDER_MAX, encode_end
from simfs.store.format.layout import align_up
from simfs.store.format.statement import Statement
from simfs.store.log.marks import program_mark, program_statement, program_sure
from simfs.store.log.statements import NAMED
from simfs.store.recovery.move import begin_anew, move
from simfs.store.recovery.tail import Tail, encoded
from simfs.store.recovery.touched import mark_touched, untouched
from simfs.store.tables.blocks import SUM_END


def recover(tail: Tail) -> None:
    """Write the statement that settles the log. Five programs in the lead; where it has no room, an erase and four
    programs in another block. Another survey shows whether it is settled: not where a block has failed meanwhile.
    Raises OutOfBlocks when no block can be written any more."""
    flash, layout, place = tail.state.flash, tail.layout, tail.place
    if tail.can_settle():
        with suppress(FlashError):
            if layout.unit_bytes == 1:  # END may be weak; where it can't be programmed again, SURE has two units
                flash.program(tail.start + place.end, encode_end(tail.lead, tail.said.number))
            program_sure(flash, layout, tail.start + place.sure)
            return
    with suppress(FlashError):
        if tail.is_followed() and (tail.is_sure or layout.page_packing):
            is_marked = True  # NEXT was whole before anything followed
        elif layout.page_packing and not tail.is_sure:
            is_marked = False  # a cut DOUBTED might look like the marks beside it
        else:
            is_marked = program_mark(flash, layout, tail.start + (place.next if tail.is_sure else place.doubted))
        if is_marked and not tail.lead_is_leaving() and _state_in_lead(tail):
            return
    if tail.lead_is_proven():
        move(tail)
    else:
        with suppress(FlashError):
            begin_anew(tail)


def _with_dead(tail: Tail, said: Statement) -> Statement:
    """The statement with dead blocks that nothing names yet: without any, the log could not go on once the lead is
    full."""
    blocks = tail.state.blocks
    dead = [block for block in blocks.closed if not blocks.live[block] and block not in blocks.failing][:NAMED]
    bases = [(tail.found.used[block].base, block + 1) for block in dead]
    said = replace(
        said,
        base_sum=(said.base_sum - sum(base for base, _ in bases)) % SUM_END,
        place_sum=(said.place_sum - sum(base * place for base, place in bases)) % SUM_END,
    )
    return tail.with_names(said, dead)


def _state_in_lead(tail: Tail) -> bool:
    """State it behind everything that may have been in flight. False when there is no room, or when a trace of that
    can't be made sound; raises FlashError."""
    layout, said = tail.layout, tail.said
    head = tail.log.heads[said.head]
    assert head is not None
    torn = layout.page_packing and tail.scan.trace_end > tail.scan.end
    if torn or tail.number - said.base > ORDER_MAX:
        return False
    said = replace(
        said, order=tail.number - said.base, end=tail.end, other=tail.other, left=tuple(tail.left),
        erase_count_max=tail.state.blocks.erase_count_max,
    )  # fmt: skip
    said = tail.with_names(said, said.named) if said.named else _with_dead(tail, said)
    raw = encoded(said, tail.lead, tail.doubtful)
    at = untouched(layout, tail.scan, said.base, align_up(tail.scan.end, layout.step))
    place = layout.place(at, len(raw))
    if tail.start + place.frames > tail.log.room_end_of(head, len(head.table.runs) + 2):
        return False
    if not mark_touched(tail.state.flash, layout, tail.scan, said.base, at):
        return False
    program_statement(tail.log, tail.lead, place, raw, said, goes_on=False)
    return True
