"""A recovery makes an end of a statement that was tried before. Cut in any of its programs, it leaves no END that reads
well beside a statement that does not: that would be damage, and a sound store would be refused."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from operator import and_

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import FaultHooks, FlashError
from simfs.store.format.codec import encode_end
from simfs.store.format.layout import layout_of
from simfs.store.format.statement import Left, encode_statement
from simfs.store.log.block_scan import scan
from simfs.store.log.killed import newest_end
from simfs.store.mounting.block_reader import PLAINLY
from simfs.store.mounting.survey import survey
from simfs.store.recovery.move import kill

BLOCK, BLOCK_BYTES = 3, 1024
LEFT = tuple(Left(block, 0, 0) for block in range(5))  # makes a statement of several pages


def tried(packing: str, faults: FaultHooks | None = None) -> tuple[NorFlash, int]:
    """A flash with a whole statement in a block that another one names, and where END stands there."""
    config = StoreConfig(name_bytes=8, buffer_bytes=None if packing == "page" else 64, packing=packing)
    flash = NorFlash(8, BLOCK_BYTES, 64, faults=faults)
    Store.format(flash, config)
    said = replace(survey(flash, PLAINLY).ruling.statement, left=LEFT)
    raw = encode_statement(BLOCK, said)
    place = layout_of(flash.geometry, config).place(0, len(raw))
    flash.put(BLOCK * BLOCK_BYTES + place.statement, raw)
    flash.put(BLOCK * BLOCK_BYTES + place.end, encode_end(BLOCK, said.number))
    if packing == "page":
        flash.put(BLOCK * BLOCK_BYTES + place.sure, b"\x7f")  # as a cut may have left it
    return flash, place.end


def left(before: bytes, at: int, data: bytes) -> Iterator[bytes]:
    """What a block may read as after a cut in a program of these bytes: each bit alone may be done, or all of them, or
    all but one."""
    done = bytes(map(and_, before[at:], data))
    bits = [bit for bit in range(8 * len(data)) if (before[at + bit // 8] & ~data[bit // 8]) >> bit % 8 & 1]
    yield before[:at] + done + before[at + len(data) :]
    for bit in bits:
        for some in (bytearray(before[at : at + len(data)]), bytearray(done)):
            some[bit // 8] ^= 1 << bit % 8
            yield before[:at] + bytes(some) + before[at + len(data) :]


@pytest.mark.parametrize("packing", ["byte", "page"])
def test_a_cut_leaves_no_end_without_its_statement(packing: str) -> None:
    flash, _ = tried(packing)
    layout = layout_of(flash.geometry, survey(flash, PLAINLY).state.config)
    start = BLOCK * BLOCK_BYTES
    programs: list[tuple[int, bytes]] = []
    raw = flash.read(start, BLOCK_BYTES)
    flash.listen(on_program=lambda address, data: programs.append((address - start, bytes(data))))
    kill(flash, layout, BLOCK)
    readings = 0
    for at, data in programs:
        for reading in left(raw, at, data):
            assert newest_end(scan(reading, BLOCK, layout), layout) is None, f"cut in {len(data)} bytes at {at}"
            readings += 1
        raw = raw[:at] + bytes(map(and_, raw[at:], data)) + raw[at + len(data) :]
    assert readings > 200
    assert raw == flash.read(start, BLOCK_BYTES)


class Failing(FaultHooks):
    """Fails the programs of one address."""

    address = -1

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        if address == self.address:
            raise FlashError("program", address)


def test_where_an_end_can_not_be_killed_its_statement_stays() -> None:
    """The block is taken for a failed one then, and the log goes on in another."""
    failing = Failing()
    flash, end = tried("byte", failing)
    layout = layout_of(flash.geometry, survey(flash, PLAINLY).state.config)
    failing.address = BLOCK * BLOCK_BYTES + end
    with pytest.raises(FlashError):
        kill(flash, layout, BLOCK)
    found = scan(flash.read(BLOCK * BLOCK_BYTES, BLOCK_BYTES), BLOCK, layout)
    assert [said.left for said in found.statements] == [LEFT]
