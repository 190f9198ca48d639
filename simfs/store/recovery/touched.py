"""Which pages of an open block a program may have touched that was cut, whether it left a trace there or not."""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.store.format.codec import (
    FRAME_BYTES,
    HEADER_BYTES,
    KINDS,
    STATEMENT,
    Frame,
    decode_header,
    salt_of,
    statement_salt,
)
from simfs.store.format.layout import Layout, align_up
from simfs.store.log.block_scan import Scan
from simfs.store.log.marks import program_mark


def untouched(layout: Layout, scan: Scan, base: int, at: int) -> int:
    """The first page of a block that nothing can have touched, if the next frame after the sound ones began at `at`. A
    program of a page begins when the one before is whole, so what reached a later page has a sound header."""
    page = layout.page_bytes
    end = at + 1 if not layout.page_programs_max else at + page  # or in the next page, where this one is full
    if scan.trace_end > at:
        torn = _torn_from(layout, scan, at)
        end = max(end, scan.trace_end, *(_announced(layout, scan, base, one) for one in torn))
    return align_up(end, page)


def mark_touched(flash: NorFlash, layout: Layout, scan: Scan, base: int, to: int) -> bool:
    """Mark the pages before `to` that may have been touched, from the last with a trace on: in their order, so that a
    later mount never overlooks one, and beside the headers that say how far that went. One program a page. False where
    a mark can't be made sound: nothing may follow it then."""
    page, start, last = layout.page_bytes, scan.block * layout.block_bytes, scan.trace_end - 1
    torn = _torn_from(layout, scan, align_up(scan.end, layout.step))
    headers = [one for one in torn if _header(scan, base, one)]
    for touched in range(max(align_up(scan.end, page), last - last % page), to, page):
        if any(one < touched + page and touched < one + HEADER_BYTES for one in headers):
            continue  # a FENCE stands in that page, or a sound frame does
        if not program_mark(flash, layout, start + touched):
            return False
    return True


def _torn_from(layout: Layout, scan: Scan, at: int) -> list[int]:
    """Where torn frames may begin from an address on: there, at the start of a page, and in a place."""
    starts = range(align_up(at, layout.page_bytes), scan.trace_end, layout.page_bytes)
    return [at, *starts, *map(layout.statement_at, starts)]


def _header(scan: Scan, base: int, at: int) -> Frame | None:
    """The sound header at an address, whatever follows it."""
    header = scan.raw[at : at + HEADER_BYTES]
    if len(header) < HEADER_BYTES or header[0] not in KINDS:
        return None
    salt = statement_salt(scan.block) if header[0] == STATEMENT else salt_of(scan.block, base)
    return decode_header(header, at, salt)


def _announced(layout: Layout, scan: Scan, base: int, at: int) -> int:
    """Where a torn frame at `at` would end, or the marks behind a statement; at least in the next page where its header
    does."""
    frame = _header(scan, base, at)
    if frame is not None and frame.kind == STATEMENT:
        return layout.place(layout.place_at(at), FRAME_BYTES + frame.length).frames
    if frame is not None:
        return at + FRAME_BYTES + frame.length
    crosses = at % layout.page_bytes + HEADER_BYTES > layout.page_bytes and scan.raw[at : at + 1] != b"\xff"
    return at + HEADER_BYTES if crosses else at
