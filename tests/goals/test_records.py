"""Records told from their place and bytes: a new store, a change of block and a recovery, for each packing and program
unit."""

from __future__ import annotations

from itertools import dropwhile

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash.trace import Trace
from simfs.store.format.layout import layout_of
from tests.goals.records import RECORDS, records_of


@pytest.mark.parametrize("unit_bytes", [1, 2, 4, 8, 16])
@pytest.mark.parametrize("packing", ["byte", "page"])
def test_what_a_store_writes(packing: str, unit_bytes: int) -> None:
    trace, config = Trace(), StoreConfig(packing=packing, buffer_bytes=100, name_bytes=12)
    flash = NorFlash(8, 4096, 256, program_unit_bytes=unit_bytes, faults=trace)
    store, layout = Store.format(flash, config), layout_of(flash.geometry, config)
    before = ("LEFT", "SEALING", "statement killed")
    new = list(dropwhile(before.__contains__, records_of(trace.changes, layout)))
    sure = ["SURE"] if unit_bytes == 1 else ["SURE", "SURE"]  # both units of the mark
    assert new == ["erase", "STATEMENT frame", "END", *sure]

    def grow() -> list[str]:
        before = len(trace.changes)
        with store.open("log", "a") as file:
            file.write(bytes(range(100)))
        return [record for record in records_of(trace.changes, layout)[before:] if record != "rest of a frame"]

    assert grow() == ["NEXT", "NAME frame", "DATA frame"]
    changed = grow()
    while "erase" not in changed:
        assert changed == ["DATA frame"]
        changed = grow()
    seal = [record for record in changed if record in ("run entries", "seal")]
    assert seal in (["seal"], ["run entries"], ["run entries", "seal"])
    assert changed == ["LEFT", "erase", "SEALING", *seal, "STATEMENT frame", "END and NEXT", "DATA frame"]

    found = Trace()
    Store.mount(NorFlash.from_image(flash.image(), datasheet=flash.datasheet, faults=found))
    records = records_of(found.changes, layout)
    assert [record for record in records if record not in ("NEXT", "rest of a frame")] in (
        ["FENCE", "STATEMENT frame", "END", *sure],
        ["FENCE", "FENCE", "STATEMENT frame", "END", *sure],
    )
    assert {*new, *changed, *records} - {"erase"} <= set(RECORDS)
