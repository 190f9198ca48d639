"""Whether the newest statement has one flipped bit: it is read as it was then, so that no older one rules."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from operator import itemgetter

from simfs.flash import NorFlash
from simfs.store.format.codec import END_BYTES, decode_end
from simfs.store.format.layout import Layout
from simfs.store.format.mending import mended
from simfs.store.format.statement import Statement, decode_statement, first_statement_places
from simfs.store.log.block_scan import Scan, scan
from simfs.store.log.killed import newest_end

PAGES_MAX = 16  # of a statement, with page packing


def mended_newest(scans: Iterable[Scan], layout: Layout, number: int) -> Scan | None:
    """What stands in the block of the newest statement, with that one put right; None when none is newer than `number`,
    or none can be mended. An END says that its statement was whole: only the newest END is tried. Reads nothing."""
    ends = [(*end, found) for found in scans if (end := newest_end(found, layout)) is not None]
    newest, at, found = max(ends, key=itemgetter(0), default=(number, 0, None))
    if found is None or newest <= number:
        return None
    block, number = found.block, newest
    for address in _before(at, layout.page_bytes) if layout.page_packing else (layout.statement_at(at),):
        raw = mended(found.raw, block, address, number)
        if raw is not None:
            again = scan(raw, block, layout)
            return again if again.statements and again.statements[-1].number == number else None
    return None


def any_mended(flash: NorFlash) -> Statement | None:
    """A statement of a flash on which none is sound, so that the layout is not known, with one bit put right. One read
    a block."""
    geometry = flash.geometry
    for block in range(geometry.block_count):
        raw = flash.read(block * geometry.block_bytes, geometry.block_bytes)
        if raw == b"\xff" * len(raw):
            continue
        for at in range(0, len(raw), geometry.page_bytes):
            for end, addresses in _ends_at(at, geometry.page_bytes, geometry.program_unit_bytes):
                number = decode_end(raw[end : end + END_BYTES], block)
                for address in addresses if number is not None else ():
                    changed = mended(raw, block, address, number or 0)
                    if changed is not None:
                        return decode_statement(changed, block, at, address)
    return None


def _ends_at(at: int, page_bytes: int, unit_bytes: int) -> Iterator[tuple[int, Iterable[int]]]:
    """Where an END may stand on the page at `at`, and its statement then, without and with page packing."""
    within, _ = first_statement_places(unit_bytes)
    yield at + (unit_bytes if unit_bytes == 1 else 2 * unit_bytes), (at + within,)
    yield at, _before(at, page_bytes)


def _before(at: int, page_bytes: int) -> Iterator[int]:
    """With page packing, where a statement may begin whose END stands at `at`."""
    yield from range(at - page_bytes, max(-1, at - PAGES_MAX * page_bytes - 1), -page_bytes)
