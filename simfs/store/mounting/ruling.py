"""Finds the ruling statement: the newest one, which says how the blocks belong together."""

from __future__ import annotations

from typing import NamedTuple

from simfs.flash import NorFlash
from simfs.store.format.codec import HEADER_BYTES, NOWHERE
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import Layout, align_up, layout_of
from simfs.store.format.settings import check_geometry, config_of
from simfs.store.format.statement import Life, Statement, any_statement, version_of
from simfs.store.log.block_scan import Scan
from simfs.store.log.marks import is_marked, is_sure
from simfs.store.mounting.block_reader import Look
from simfs.store.mounting.mended import any_mended, mended_newest

LAST_UNUSED = 8  # of so few blocks that were never used, more may have been used since


class Ruling(NamedTuple):
    """The ruling statement, the block in which it stands, and what was read on the way: what each block's first
    statement says of it, all of some blocks, and which blocks the ruling one calls `used`. `is_mended`: a bit of it has
    flipped, and is put right here."""

    statement: Statement
    lead: int
    lives: list[Life | None]
    scans: dict[int, Scan]
    used: frozenset[int]
    is_mended: bool = False


def find_ruling(flash: NorFlash, look: Look) -> Ruling:
    """Reads the start of each block, all of the lead, and of those used blocks that don't begin with a sound statement.
    CorruptStore when there is none at all."""
    lives = look.lives(flash)
    numbers = {block: life[0] for block, life in enumerate(lives) if life is not None}
    newest = (look.first(flash, max(numbers, key=numbers.__getitem__)) if numbers else None) or _search(flash)
    check_geometry(newest.settings, flash.geometry)
    layout = layout_of(flash.geometry, config_of(newest.settings))
    scans: dict[int, Scan] = {}

    def last_in(block: int) -> Statement | None:
        if block not in scans:
            scans[block] = look.scan(flash, layout, block, None)
        return scans[block].statements[-1] if _counts(layout, scans[block]) else None

    missing = {block for block, life in enumerate(lives) if life is None}
    unread = frozenset() if numbers else frozenset(missing)
    looked: set[int] = set()
    while True:
        for block in sorted(unread):
            looked.add(block)
            last = None if flash.blank(block * layout.block_bytes, layout.block_bytes) else last_in(block)
            if last is not None:
                numbers[block] = last.number
        lead = max(numbers, key=numbers.__getitem__, default=0)
        said = last_in(lead)
        unread = frozenset() if said is None else (_maybe_used(flash, layout, said) & missing) - looked
        if not unread:
            return _ruling(said, lead, lives, scans, layout)
        assert said is not None
        numbers[lead] = said.number


def _ruling(
    said: Statement | None, lead: int, lives: list[Life | None], scans: dict[int, Scan], layout: Layout
) -> Ruling:
    """This statement rules, or a newer one with a flipped bit."""
    again = mended_newest(scans.values(), layout, -1 if said is None else said.number)
    if again is not None and _counts(layout, again):
        used = used_blocks(again.statements[-1], len(lives))
        return Ruling(again.statements[-1], again.block, lives, {**scans, again.block: again}, used, is_mended=True)
    if said is None:
        raise CorruptStore(f"the statement at the start of block {lead} contradicts itself")
    return Ruling(said, lead, lives, scans, used_blocks(said, len(lives)))


def _counts(layout: Layout, scan: Scan) -> bool:
    """Whether the statements of a block count. What stands before the first one was moved there for it; where that is
    gone, it was erased again by a recovery that could not read the statement."""
    if not scan.statements:
        return False
    first = scan.statements[0]
    if not first.at or any(is_sure(layout, scan.raw, said) for said in scan.statements):
        return True
    begin = first.at if first.end == NOWHERE else first.end
    moved = [frame for frame in scan.frames if frame.address < begin]
    end = max((frame.address + layout.pitch(frame.length) for frame in moved), default=0)
    return [frame.order for frame in moved] == [*range(len(moved))] and align_up(end, layout.page_bytes) == begin


def _maybe_used(flash: NorFlash, layout: Layout, said: Statement) -> frozenset[int]:
    """The blocks that were ever used by a statement's account, and the last ones that were not, where something stands
    in them: a newer statement may have named them, in blocks that a recovery has erased since. Where a block begins
    with moved frames, no other one was unused any more. One read of each such block, of a header."""
    count = flash.geometry.block_count
    used = used_blocks(said, count)
    unused = set(range(count)) - used if count - len(used) <= LAST_UNUSED else set()
    starts = {block: block * layout.block_bytes + layout.first for block in unused}
    return used | {block for block, start in starts.items() if is_marked(flash.read(start, HEADER_BYTES))}


def used_blocks(said: Statement, block_count: int) -> frozenset[int]:
    """The blocks that were ever used by a statement's account."""
    begin = said.used_from % block_count
    end = begin + min(said.used, block_count)
    return frozenset((*range(begin, min(end, block_count)), *range(end - block_count)))


def _search(flash: NorFlash) -> Statement:
    """Any statement, where no block begins with one. CorruptStore when there is none."""
    versions = set()
    for block in range(flash.geometry.block_count):
        raw = flash.read(block * flash.geometry.block_bytes, flash.geometry.block_bytes)
        if raw == b"\xff" * len(raw):
            continue
        found = any_statement(raw, block, flash.geometry.page_bytes, flash.geometry.program_unit_bytes)
        if found is not None:
            return found
        versions.add(version_of(raw))
    mended = any_mended(flash)
    if mended is not None:
        return mended
    versions.discard(None)
    if versions:
        raise CorruptStore(f"the store has format version {min(one for one in versions if one)}; this simfs reads 4")
    raise CorruptStore("no store on this flash: no block begins with a statement; format it first")
