"""Marks and statements as they are programmed. A mark is zeros that say that something has been begun: any trace of it
counts."""

from __future__ import annotations

from operator import and_

from simfs.flash import NorFlash
from simfs.store.format.codec import END_BYTES, encode_end
from simfs.store.format.layout import Layout, Place
from simfs.store.format.statement import Statement
from simfs.store.log.heads import Log

BYTE_HALVES = ((0, b"\xf0"), (0, b"\x0f"))  # of a mark of one byte that can't be programmed over and over


def is_marked(raw: bytes) -> bool:
    """Whether there is any trace of a mark in these bytes."""
    return bool(raw.strip(b"\xff"))


def program_mark(flash: NorFlash, layout: Layout, address: int) -> bool:
    """Program a mark: what a power cut left weak of it is sound then. With page packing none is programmed over a
    trace, which may be a sound one, as a cut program may spoil its page. False when the mark stays as weak as it may
    be. One program at most. Raises FlashError."""
    is_in_doubt = layout.page_packing and is_marked(flash.read(address, layout.mark_bytes))
    return not is_in_doubt and _complete(flash, layout, address)


def _complete(flash: NorFlash, layout: Layout, address: int) -> bool:
    """Program a mark, whatever reads there. Where a unit may be programmed once only, or a page a few times, a mark has
    two halves, and the second one completes the first; False when there is a trace in both."""
    if layout.can_kill:
        flash.program(address, b"\0")
        return True
    raw, unit = flash.read(address, layout.mark_bytes), layout.unit_bytes
    for at, half in _halves(unit):
        there = raw[at : at + unit]
        if all(old | new == 0xFF for old, new in zip(there, half, strict=True)):
            flash.program(address + at, bytes(map(and_, there, half)))
            return True
    return False


def _halves(unit_bytes: int) -> tuple[tuple[int, bytes], tuple[int, bytes]]:
    """Where the halves of a mark begin, and their zeros."""
    return BYTE_HALVES if unit_bytes == 1 else ((0, bytes(unit_bytes)), (unit_bytes, bytes(unit_bytes)))


def is_sure(layout: Layout, raw: bytes, said: Statement) -> bool:
    """Whether a statement in these bytes of a block was whole for certain: something was begun that only follows a
    whole one. DOUBTED says nothing against that: a cut may have left it weak, and unseen when SURE was programmed.
    Where END is zeros an erase was cut in the marks, which says nothing."""
    place = layout.place_of(said)
    marked = any(is_marked(raw[at : at + layout.mark_bytes]) for at in (place.sure, place.next))
    return marked and not raw.startswith(bytes(END_BYTES), place.end)


def program_statement(log: Log, block: int, place: Place, raw: bytes, said: Statement, goes_on: bool) -> None:
    """Program a statement at its place: FENCE, the frame, END, SURE; NEXT too if the log `goes_on` behind it at once,
    and all of them in one program then. Four programs, one more for each page end in the frame. Raises FlashError."""
    start, layout = block * log.layout.block_bytes, log.layout
    if place.fence:
        program_mark(log.flash, layout, start + place.fence)
    log.program(start + place.statement, raw)
    end = encode_end(block, said.number)
    if goes_on:
        begun = b"\0" if layout.can_kill else _halves(layout.unit_bytes)[0][1]  # of a mark; may be completed later
        mark = begun.ljust(layout.mark_bytes, b"\xff")
        end = end.ljust(place.sure - place.end, b"\xff") + mark + b"\xff" * len(mark) + mark
        log.program(start + place.end, end)
    else:
        log.program(start + place.end, end)
        program_sure(log.flash, layout, start + place.sure)


def program_sure(flash: NorFlash, layout: Layout, address: int) -> None:
    """Program all units of SURE: a trace in the last one shows that those before it are sound. Raises FlashError."""
    for _ in range(0, layout.mark_bytes, layout.unit_bytes):
        _complete(flash, layout, address)
