"""Damage costs what it hit, and is told: never the whole store, never without a word."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.flash import Error, Faults, Plan
from tests.support.rotten_files import Files, files_of
from tests.support.whole_files import contents, put

SIZES = {"block_count": 24, "block_bytes": 1024, "page_bytes": 64}
SETTINGS = {
    "one head": StoreConfig(buffer_bytes=64, name_bytes=12),
    "two heads": StoreConfig(buffer_bytes=64, name_bytes=12, log_heads=2, level_threshold=1),
    "pages": StoreConfig(packing="page", name_bytes=12),
}
FLIPS = 80


def lived_in(setting: str, *, failing: int | None = None) -> Store:
    """Files of random bytes, some of them moved since; block `failing` has failed on the way, half full."""
    program = [] if failing is None else [Error("program", 9, failing, for_ever=True)]
    errors = (*program, *(Error("erase", block=one.block, for_ever=True) for one in program))
    flash = NorFlash(**SIZES, faults=Plan(Faults(errors=errors)))
    store, random = Store.format(flash, SETTINGS[setting]), Random(setting)
    for turn in range(160):
        put(store, f"file{random.randrange(12):02}", random.randbytes(random.randrange(60, 320)))
        if turn % 5 == 4:
            put(store, f"log{turn % 2}", random.randbytes(60), "a")
    return store


def flash_of(image: bytes | bytearray) -> NorFlash:
    return NorFlash.from_image(image, SIZES["block_bytes"], SIZES["page_bytes"])


def flipped(image: bytes, block: int, random: Random) -> bytearray:
    """A bit of the block is another one: mostly of a byte that was programmed."""
    size = SIZES["block_bytes"]
    places = [at for at in range(block * size, block * size + size) if image[at] != 0xFF] or [block * size]
    changed = bytearray(image)
    changed[random.choice(places)] ^= 1 << random.randrange(8)
    return changed


def without(image: bytes, block: int) -> bytearray:
    size = SIZES["block_bytes"]
    return bytearray(image[: block * size] + b"\xff" * size + image[(block + 1) * size :])


def files_in(image: bytes, block: int, right: dict[str, bytes]) -> set[str]:
    """The files of which the block holds bytes or the name."""
    size = SIZES["block_bytes"]
    raw = image[block * size : (block + 1) * size]
    return {
        name
        for name, data in right.items()
        if name.encode() in raw or any(data[at : at + 12] in raw for at in range(0, len(data), 12))
    }


def found_on(image: bytes | bytearray) -> Files:
    """What a read-only mount gives."""
    return files_of(Store.mount(flash_of(image), read_only=True))


def flips(setting: str, blocks: list[int], image: bytes) -> Iterator[tuple[int, bytearray]]:
    random = Random(f"flips {setting}")
    for number in range(FLIPS):
        block = blocks[number % len(blocks)]
        yield block, flipped(image, block, random)


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_flipped_bit_costs_no_file_that_it_did_not_hit(setting: str) -> None:
    """Every other file can be read from a read-only mount. What it hit is exact or told; but what was written last of
    all may look like a program that was cut."""
    store = lived_in(setting)
    image, right = store.flash.image(), contents(store)
    opened = {view.number for view in store.blocks() if view.state == "open"}
    for block, changed in flips(setting, [view.number for view in store.blocks()], image):
        mounted = Store.mount(flash_of(changed), read_only=True)
        found, hit = files_of(mounted), files_in(image, block, right)
        for name in right.keys() - hit:
            assert found.get(name) == right[name], f"{name} is lost by a bit of block {block}"
        exact = all(found.get(name) in (None, right[name]) for name in hit & found.keys()) and hit <= found.keys()
        assert block in opened or exact or mounted.check(), f"a bit of block {block} is not told"


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_flipped_bit_in_a_block_without_anything_live_costs_nothing(setting: str) -> None:
    store = lived_in(setting)
    image, right = store.flash.image(), contents(store)
    dead = [view.number for view in store.blocks() if view.state in ("closed", "freed") and not view.live_bytes]
    assert dead
    for block, changed in flips(setting, dead, image):
        assert found_on(changed) == right, f"a bit of block {block}"


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_flipped_bit_in_a_block_that_has_failed_costs_nothing(setting: str) -> None:
    """Nothing in it counts, so the store can be mounted to write as well."""
    store = Store.mount(lived_in(setting, failing=4).flash)
    image, right = store.flash.image(), contents(store)
    bad = [view.number for view in store.blocks() if view.state == "bad"]
    assert bad == [4]
    for _, changed in flips(setting, bad, image):
        flash = flash_of(changed)
        assert found_on(changed) == right
        assert contents(Store.mount(flash)) == right


def is_told(image: bytearray) -> bool:
    """Whether a mount or the check says that something is missing; a doubt is too little."""
    try:
        store = Store.mount(flash_of(image), read_only=True)
    except CorruptStore:
        return True
    return bool(store.check())


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_blanked_block_with_live_data_is_damage(setting: str) -> None:
    """It is not taken for one that was cleaned."""
    store = lived_in(setting)
    image = store.flash.image()
    live = [view.number for view in store.blocks() if view.state == "closed" and view.live_bytes]
    assert len(live) > 3
    assert [block for block in live if not is_told(without(image, block))] == []
