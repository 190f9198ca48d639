"""A write of many frames is done at once, and leaves what it leaves frame by frame."""

from __future__ import annotations

from random import Random

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.tables.meters import Meters

CASES = {
    "usual": (NorFlash(24), StoreConfig()),
    "small blocks, two heads": (NorFlash(40, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=2)),
    "whole pages": (NorFlash(24), StoreConfig(packing="page")),
    "units of 8": (NorFlash(24, program_unit_bytes=8), StoreConfig()),
    "blocks longer than a run": (NorFlash(6, 131_072), StoreConfig()),
    "long frames": (NorFlash(24), StoreConfig(buffer_bytes=1500)),
}
OPEN = ("/a", "/b", "/c")


@pytest.mark.parametrize("case", CASES)
def test_a_big_write_leaves_what_frame_by_frame_leaves(case: str) -> None:
    blank, config = CASES[case]
    together, apart = blank.copy(), blank.copy()
    apart.listen(on_program=lambda address, data: None)  # who listens is told of each program by itself
    assert together.takes_late
    assert not apart.takes_late
    stores = Store.format(together, config), Store.format(apart, config)
    size_bytes = blank.geometry.size_bytes
    (at_once, refused), _ = (_work(store, Random(case), size_bytes) for store in stores)
    assert at_once > 5
    assert refused > 1
    assert _state(stores[0]) == _state(stores[1])
    assert stores[0].check() == []


def _work(store: Store, draw: Random, size_bytes: int) -> tuple[int, int]:
    """Writes of all sizes, to the ends of some files and elsewhere, until the store has been full a few times. How many
    had frames that were done at once, and how many the store refused."""
    at_once = refused = 0
    flash, files = store.flash, {name: store.open(name, "w+") for name in OPEN}
    for _ in range(250):
        name = draw.choice(OPEN)
        file, size = files[name], store.stat(name).size_bytes
        length = draw.choice((1, draw.randrange(300), draw.randrange(9000), draw.randrange(size_bytes // 8)))
        file.seek(draw.choice((size, size, size, size + 3, draw.randrange(size + 1))))
        late_before = len(flash._late)
        try:
            file.write(draw.randbytes(length))
            at_once += len(flash._late) > late_before
            if draw.random() < 0.3:
                file.flush()
        except OSError:
            refused += 1
            file.truncate(0)
    for file in files.values():
        file.close()
    return at_once, refused


def _state(store: Store) -> tuple[object, ...]:
    """All that a store is: its bytes and counters, and what it knows of its files."""
    nodes = store._volume.state.nodes.values()
    spans = [(node.number, node.size, node.starts, node.places, node.buffer, node.reserved) for node in nodes]
    meters: Meters = store.meters
    return store.flash.image(), store.flash.counts, store.flash.erase_counts, meters, spans, store.usage()
