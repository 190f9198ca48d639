"""Which files a damage names: those that it can have touched, and each damage once."""

from __future__ import annotations

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.log.state import Damage
from simfs.store.mounting.block_reader import PLAINLY, Remembering
from simfs.store.mounting.rebuild import replay
from simfs.store.mounting.survey import survey
from tests.support.on_flash import frames_on, put

SIZES = {"block_bytes": 1024, "page_bytes": 128}
BLOCK = 1024


def new_store(**settings: int) -> Store:
    return Store.format(NorFlash(12, **SIZES), StoreConfig(buffer_bytes=64, name_bytes=16, **settings))


def damages(image: bytes | bytearray) -> tuple[Damage, ...]:
    return Store.mount(NorFlash.from_image(image, **SIZES), read_only=True).damages


def three_files(heads: int = 1) -> Store:
    """All in one open block."""
    store = new_store(log_heads=heads)
    for name in ("first", "second", "third"):
        put(store, name, name.encode() * 8)
    return store


@pytest.mark.parametrize("within", [0, 3, 6, 20], ids=["kind", "order", "file", "payload"])
@pytest.mark.parametrize("heads", [1, 2])
def test_of_one_frame_the_header_says_whose_it_was(within: int, heads: int) -> None:
    """Also where the flipped bit is in the header. It is told once."""
    store = three_files(heads)
    image = bytearray(store.flash.image())
    (frame,) = (frame for frame in frames_on(store.flash) if frame.payload == b"second" * 8)
    image[frame.address + within] ^= 4
    found = damages(image)
    assert [(damage.what, damage.maybe) for damage in found] == [("frames can't be read", ("second",))]


def test_of_a_block_that_is_lost_newer_files_are_not_named() -> None:
    store = new_store()
    put(store, "old", b"o" * 300)
    store._volume.state.segments.advance(0)
    put(store, "new", b"n" * 300)
    image = bytearray(store.flash.image())
    image[:BLOCK] = b"\xff" * BLOCK
    (lost,) = damages(image)
    assert (lost.begin, lost.end, lost.maybe) == (0, BLOCK, ())


@pytest.mark.parametrize("heads", [1, 2])
def test_of_a_block_with_older_content_newer_files_are_not_named(heads: int) -> None:
    """The sums say which one it is, and when its life began."""
    store = new_store(log_heads=heads)
    put(store, "kept", b"k" * 100)
    for turn in range(50):
        put(store, "turned", bytes([turn]) * 100)
    older, segments = store.flash.image(), store._volume.state.segments
    for turn in range(60):
        put(store, "turned", bytes([turn]) * 100)
    block = segments.lead
    put(store, "early", b"e" * 100)
    segments.advance(0)
    put(store, "late", b"l" * 100)
    segments.advance(0)
    image = bytearray(store.flash.image())
    place = slice(block * BLOCK, (block + 1) * BLOCK)
    assert image[place] != older[place]
    image[place] = older[place]
    found = damages(image)
    touched = {name for damage in found for name in (*damage.names, *damage.maybe)}
    assert found
    assert "late" not in touched
    assert "kept" in touched


def test_a_mount_to_write_finds_all_damage_before_it_writes() -> None:
    """Also of a claim that is read after everything else, in a store that has something to settle. A store that is
    sound costs no read more for that: what has been read of claims is remembered."""
    flash = NorFlash(8, block_bytes=4096, page_bytes=256)
    store = Store.format(flash, StoreConfig())
    put(store, "first", b"f" * 1000)
    store._volume.state.segments.advance(0)
    put(store, "second", b"s")
    image = bytearray(flash.image())
    (name,) = (frame for frame in frames_on(flash) if frame.payload == b"first")
    image[name.address + 17] ^= 1
    flash = NorFlash.from_image(image, datasheet=flash.datasheet)
    with pytest.raises(CorruptStore, match="a claim on a name can't be read"):
        Store.mount(flash)
    assert flash.image() == image


def test_what_is_remembered_of_claims_is_not_read_again() -> None:
    store = new_store()
    for number in range(6):
        put(store, f"file{number}", b"f" * 200)
    look, found = Remembering(PLAINLY), survey(store.flash)
    once = store.flash.reads
    replay(found, look)
    first = store.flash.reads - once
    again = survey(store.flash)
    twice = store.flash.reads
    replay(again, look)
    assert (first, store.flash.reads - twice) == (6, 0)
    assert again.state.files.keys() == found.state.files.keys()
