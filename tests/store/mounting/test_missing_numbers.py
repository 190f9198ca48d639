"""Numbers that are missing: where a part spoils a whole page or block, that what stood there is gone is the only trace.
Since the ruling statement each sequence number has its frame, in one of the open blocks."""

from __future__ import annotations

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.format.codec import FRAME_BYTES
from simfs.store.mounting.block_reader import PLAINLY
from simfs.store.mounting.survey import survey
from tests.support.on_flash import churn, contents, frames_on, put, statements_on

SIZES = {"block_bytes": 1024, "page_bytes": 128}


def new_store(**settings: int) -> Store:
    return Store.format(NorFlash(10, **SIZES), StoreConfig(buffer_bytes=64, name_bytes=16, **settings))


def damages(image: bytes | bytearray) -> list[str]:
    """What a mount finds damaged before it looks at names."""
    return [damage.what for damage in survey(NorFlash.from_image(image, **SIZES), PLAINLY).state.damages]


def without(store: Store, *names: bytes) -> bytearray:
    """The image with the frames that name these files gone, as if they had never been programmed."""
    image = bytearray(store.flash.image())
    for frame in frames_on(store.flash):
        if frame.payload in names:
            size = FRAME_BYTES + len(frame.payload)
            image[frame.address : frame.address + size] = b"\xff" * size
    return image


@pytest.mark.parametrize("heads", [1, 2])
def test_a_number_that_is_missing_before_others_is_damage(heads: int) -> None:
    store = new_store(log_heads=heads)
    for name in ("first", "second", "third"):
        store.open(name, "w").close()
    for gone in (b"first", b"second"):
        assert damages(without(store, gone)) == ["frames that were written can't be read"]
        flash = NorFlash.from_image(without(store, gone), **SIZES)
        image = flash.image()
        with pytest.raises(CorruptStore, match="frames that were written can't be read"):
            Store.mount(flash)
        assert flash.image() == image
        assert gone.decode() not in contents(Store.mount(flash, read_only=True))


def test_the_newest_number_may_be_missing() -> None:
    """A power cut leaves just that."""
    store = new_store()
    for name in ("first", "second", "third"):
        store.open(name, "w").close()
    assert damages(without(store, b"third")) == []
    assert set(contents(Store.mount(NorFlash.from_image(without(store, b"third"), **SIZES)))) == {"first", "second"}


def test_what_is_older_than_the_ruling_statement_is_missed_by_its_file() -> None:
    """Nothing counts the numbers before it; a damaged frame there is found where it stands."""
    store = new_store()
    for name in ("first", "second"):
        put(store, name, b"bytes")
    store = Store.mount(store.flash)
    image = bytearray(store.flash.image())
    (frame,) = (frame for frame in frames_on(store.flash) if frame.payload == b"first")
    image[frame.address + 3] ^= 1
    assert damages(image) == ["frames can't be read"]


def test_a_statement_says_what_the_last_frame_of_the_other_head_is() -> None:
    """What that head wrote before may be erased: no gap would tell that its last frame is damaged, not cut."""
    store = new_store(log_heads=2)
    put(store, "static", bytes(700))
    churn(store, 60)
    state = store._volume.state
    state.segments.wake(1)
    store.open("last", "w").close()
    last = frames_on(store.flash)[-1]
    assert last.payload == b"last"
    state.segments.advance(1)
    said = max((said for found in statements_on(store.flash).values() for said in found), key=lambda said: said.number)
    assert (said.head, said.other.block, said.other.last) == (1, last.block, last.sequence)
    assert damages(store.flash.image()) == []
    assert damages(without(store, b"last")) == ["frames that were written can't be read"]
