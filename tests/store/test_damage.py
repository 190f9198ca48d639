"""Which bytes of a damaged store can't be read: those that reading them one by one refuses, found in few reads."""

from __future__ import annotations

from itertools import groupby

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.flash import Rng
from simfs.store.damage import Stretch, unreadable

BLOCKS, BLOCK_BYTES, PAGE_BYTES = 12, 1024, 64


def a_store(rng: Rng, **settings: object) -> Store:
    """Small pieces in a row, long ones, and one behind a gap."""
    store = Store.format(NorFlash(BLOCKS, BLOCK_BYTES, PAGE_BYTES), StoreConfig(name_bytes=8, **settings))
    for _ in range(30):
        with store.open("/even", "a") as file:
            file.write(rng.random_bytes(20))
    with store.open("/long", "w") as file:
        file.write(rng.random_bytes(1500))
    with store.open("/gap", "w") as file:
        file.seek(300)
        file.write(rng.random_bytes(90))
    return store


def one_by_one(store: Store, name: str) -> tuple[Stretch, ...]:
    """The ranges whose bytes can't be read, each byte by itself."""

    def is_lost(at: int) -> bool:
        with store.open(name) as file:
            file.seek(at)
            try:
                return len(file.read(1)) < 1
            except CorruptStore:
                return True

    sides = [list(side) for lost, side in groupby(range(store.stat(name).size_bytes), is_lost) if lost]
    return tuple((side[0], side[-1] + 1) for side in sides)


@pytest.mark.parametrize("settings", [{}, {"packing": "page"}, {"log_heads": 2}], ids=["bytes", "pages", "two heads"])
def test_what_can_not_be_read_is_what_reading_each_byte_refuses(settings: dict[str, object]) -> None:
    rng, hurt = Rng(5, "bits"), 0
    store = a_store(rng, **settings)
    for _ in range(12):
        image = bytearray(store.flash.image())
        for _ in range(12):
            image[rng.below(len(image) // 2)] ^= 1 << rng.below(8)
        try:
            found = Store.mount(NorFlash.from_image(image, datasheet=store.flash.datasheet), read_only=True)
        except CorruptStore:
            continue
        for name in found.names():
            node = found.volume.lookup(name.encode())
            assert node is not None
            ranges = one_by_one(found, name)
            assert unreadable(found.volume, node) == ranges
            hurt += bool(ranges)
    assert hurt > 5


def test_a_file_that_can_not_be_read_at_all_costs_few_reads() -> None:
    """Not some for each of its bytes."""
    store = Store.format(NorFlash(32, 4096, 256), StoreConfig(name_bytes=8))
    with store.open("/long", "w") as file:
        file.write(bytes(range(256)) * 160)
    node = store.volume.lookup(b"/long")
    assert node is not None
    image = bytearray(store.flash.image())
    for place in map(abs, node.places):
        image[place] ^= 1
    found = Store.mount(NorFlash.from_image(image, datasheet=store.flash.datasheet), read_only=True)
    before = found.flash.reads
    assert len(found.damages) >= 10
    assert found.flash.reads - before < 2000
