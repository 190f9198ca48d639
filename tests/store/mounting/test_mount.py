"""Mounting: what a sound store shows, and how one that is not says so. A mount never raises anything but CorruptStore,
and never gives back other bytes than were written."""

from __future__ import annotations

import errno
import re
import struct
from random import Random
from zlib import crc32

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.format import codec
from simfs.store.tables.blocks import State
from tests.support.on_flash import (
    SETTINGS,
    SMALL,
    churn,
    contents,
    flash_of,
    frames_on,
    mounted,
    outcome,
    put,
    refusal,
    worked_store,
)

# -- what is no store


def test_blank_flash_holds_no_store() -> None:
    assert "no store on this flash" in refusal(b"\xff" * 4096)


@pytest.mark.parametrize("fill", [b"\0", b"\x5a"])
def test_foreign_bytes_are_no_store(fill: bytes) -> None:
    assert "no store on this flash" in refusal(fill * 4096)


def test_random_bytes_are_no_store() -> None:
    random = Random(1)
    for _ in range(50):
        assert "no store on this flash" in refusal(random.randbytes(4096))


def test_another_format_version_is_named() -> None:
    """Versions before this one had an erase record at the start of each block: magic, version, zero, erase count, zero,
    CRC-32. Nothing of another version is read, since every checksum covers the version."""
    image = bytearray(worked_store().flash.image())
    for start in range(0, len(image), 512):
        head = struct.pack("<HBBII", codec.MAGIC, 3, 0, 5, 0)
        image[start : start + 512] = (head + struct.pack("<I", crc32(head))).ljust(512, b"\xff")
    text = refusal(image)
    assert "version 3" in text
    assert f"reads {codec.VERSION}" in text


@pytest.mark.parametrize(
    ("sizes", "named"),
    [
        ({"block_bytes": 1024}, ("512 bytes an erase block", "1024")),
        ({"page_bytes": 128}, ("64 bytes a page", "128")),
        ({"block_bytes": 256}, ("512 bytes an erase block", "256")),
    ],
)
def test_another_geometry_is_named(sizes: dict[str, int], named: tuple[str, str]) -> None:
    text = refusal(worked_store().flash.image(), **sizes)
    for part in named:
        assert part in text


def test_a_part_of_the_store_is_not_the_store() -> None:
    text = refusal(worked_store().flash.image()[: 7 * 512])
    assert "8 erase blocks" in text
    assert "has 7" in text


# -- damage that is named


def test_a_damaged_live_frame_is_named_when_it_is_read() -> None:
    store = worked_store()
    node = store._volume.lookup(b"log")
    assert node is not None
    address = node.places[0]
    image = bytearray(store.flash.image())
    image[address + 20] ^= 1
    damaged = flash_of(image)
    text = ""
    try:
        contents(Store.mount(damaged))
    except CorruptStore as error:
        text = str(error)
    assert re.search(
        rf"block {address // 512} (at|from) byte {address % 512} (on )?\(flash address {address:#x}\)", text
    ), text


def test_a_damaged_frame_does_not_hide_the_other_files() -> None:
    store = worked_store()
    node = store._volume.lookup(b"log")
    assert node is not None
    sealed = [block.number for block in store.blocks() if block.state == "closed"]
    assert node.places[0] // 512 in sealed
    image = bytearray(store.flash.image())
    image[node.places[0] + 20] ^= 1
    left = Store.mount(flash_of(image), read_only=True)
    with left.open("settings") as file:
        assert file.readall() == b"b" * 40
    with left.open("log") as file, pytest.raises(CorruptStore):
        file.readall()


# -- any damage


def newest_frame(flash: NorFlash) -> range:
    """The bytes of the newest frame: damaged, it can't be told from one that a power cut tore."""
    newest = frames_on(flash)[-1]
    return range(newest.address, newest.address + codec.FRAME_BYTES + len(newest.payload))


CONFIGS = {
    "bytes": SETTINGS,
    "two heads": StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=2),
}


@pytest.mark.parametrize("config", CONFIGS)
def test_no_flipped_bit_gives_wrong_bytes(config: str) -> None:
    """One bit of every third byte; the slow test below takes all eight of each."""
    first = list(CONFIGS).index(config)
    assert_bits_are_guarded(config, lambda at: [at * 7 % 8] if at % 3 == first else [])


@pytest.mark.slow
@pytest.mark.parametrize("config", CONFIGS)
def test_no_flipped_bit_of_all_gives_wrong_bytes(config: str) -> None:
    assert_bits_are_guarded(config, lambda _: range(8))


def assert_bits_are_guarded(config: str, bits: object) -> None:
    store = worked_store(CONFIGS[config], block_count=10)
    image = bytearray(store.flash.image())
    expected = contents(store)
    undecidable = newest_frame(store.flash)
    wrong, told = [], 0
    for at in range(len(image)):
        for bit in bits(at):  # type: ignore[operator]
            image[at] ^= 1 << bit
            found = outcome(image, read_only=bool(at // 2 % 2))
            image[at] ^= 1 << bit
            told += found is None
            if found not in (None, expected) and at not in undecidable:
                wrong.append((at // 512, at % 512, bit))
    assert wrong == [], f"{len(wrong)} flipped bits (block, byte, bit) gave wrong bytes silently"
    assert told > 100


@pytest.mark.parametrize("seed", range(4))
def test_heavy_damage_gives_exact_bytes_or_a_clear_error(seed: int) -> None:
    """Runs of random, zeroed, erased and moved bytes. What was newest may be lost, nothing is made up: every file that
    is shown has the contents that some version of it had."""
    random = Random(seed)
    store = worked_store(block_count=10)
    image = store.flash.image()
    seen = {"exact": 0, "told": 0, "other": 0}
    expected = contents(store)
    for _ in range(250):
        damaged = bytearray(image)
        for _ in range(random.choice((1, 1, 2, 5))):
            length = random.choice((1, 4, 20, 64, 512))
            start = random.randrange(len(image) - length + 1)
            source = random.randrange(len(image) - length + 1)
            damaged[start : start + length] = random.choice(
                (random.randbytes(length), bytes(length), b"\xff" * length, image[source : source + length])
            )
        found = outcome(damaged, read_only=random.random() < 0.5)
        seen["told" if found is None else "exact" if found == expected else "other"] += 1
    assert seen["told"] > 50
    assert seen["exact"] > 5


# -- a sound store


def test_a_read_only_mount_never_writes() -> None:
    store = worked_store()
    flash = store.flash
    image, counts = flash.image(), flash.counts
    seen = Store.mount(flash, read_only=True)
    refused = [
        lambda: seen.open("new", "w"),
        lambda: seen.open("log", "w"),
        lambda: seen.open("log", "a"),
        lambda: seen.remove("log"),
        lambda: seen.rename("log", "new"),
        lambda: seen.truncate("log", 1),
    ]
    for action in refused:
        with pytest.raises(OSError, match=r"Read-only") as caught:
            action()
        assert caught.value.errno == errno.EROFS
    seen.idle(10**12)
    assert contents(seen) == contents(store)
    assert flash.image() == image
    assert (flash.counts.programs, flash.counts.erases) == (counts.programs, counts.erases)


@pytest.mark.parametrize("heads", [1, 2])
def test_a_second_mount_writes_nothing(heads: int) -> None:
    store = worked_store(StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=heads), block_count=10)
    expected = contents(store)
    flash = store.flash
    Store.mount(flash)
    image = flash.image()
    for _ in range(3):
        store = Store.mount(flash)
        assert flash.image() == image
    assert contents(store) == expected
    assert store.check() == []


def test_a_mount_of_a_new_store_writes_nothing() -> None:
    flash = NorFlash(6, **SMALL)
    Store.format(flash, SETTINGS)
    image = flash.image()
    assert Store.mount(flash).names() == []
    assert flash.image() == image


def test_erase_counts_survive_mounts_and_formats() -> None:
    store = worked_store()
    flash = store.flash
    assert store.erase_counts == flash.erase_counts
    assert sum(store.erase_counts) > 5
    again = Store.mount(flash)
    assert again.erase_counts == flash.erase_counts
    churn(again, 40)
    assert again.erase_counts == flash.erase_counts
    fresh = Store.format(flash, SETTINGS)
    assert fresh.names() == []
    assert fresh.erase_counts == flash.erase_counts
    assert Store.mount(flash).erase_counts == flash.erase_counts


def test_a_mount_finds_the_settings_on_the_flash() -> None:
    config = StoreConfig(
        cleaner="best-of-d", choices=3, log_heads=2, packing="page", buffer_bytes=44, reserve_blocks=4,
        level_threshold=5, idle_cleaning=True, name_bytes=20, overlong="cut", fold_case=True, open_files_max=3, seed=9,
    )  # fmt: skip
    flash = NorFlash(16, 2048, 64)
    Store.format(flash, config)
    assert Store.mount(flash).config == config


def test_a_recovery_without_room_in_the_lead_goes_on_in_a_dead_block_and_keeps_what_counts() -> None:
    """The lead is left without a seal; the newest frame is carried along."""
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    put(store, "kept", b"k" * 100)
    log = store._volume.state.log
    while log.plainly_fits(64):
        put(store, "log", b"newest", "a")
    expected = contents(store)
    left = store._volume.state.segments.lead
    store = Store.mount(store.flash)
    state = store._volume.state
    assert state.segments.lead != left
    assert state.blocks.state[left] == State.CLOSED
    assert left in state.blocks.left_end
    assert contents(store) == mounted(store) == expected
    assert store.check() == []
