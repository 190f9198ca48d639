"""Numbers that are missing between frames: where a part spoils a whole page or block, that what stood there is gone is
the only trace."""

from __future__ import annotations

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.format import codec
from simfs.store.format.codec import FRAME_BYTES, HEADER_BYTES, RECORD_BYTES, Kind
from simfs.store.mounting.block_reader import PLAINLY
from simfs.store.mounting.survey import survey
from tests.support.on_flash import OPEN_AT, churn, contents, frames_on, put

SIZES = {"block_bytes": 1024, "page_bytes": 128}


def new_store() -> Store:
    return Store.format(NorFlash(8, **SIZES), StoreConfig(buffer_bytes=64, name_bytes=16))


def doubts(image: bytes | bytearray) -> list[int]:
    """Addresses from which frames may be missing."""
    state, _ = survey(NorFlash.from_image(image, **SIZES), PLAINLY)
    return [doubt.address for doubt in state.doubts]


def without(store: Store, name: bytes) -> bytearray:
    """The image with the frame that names the file gone, as if it had never been programmed."""
    image = bytearray(store.flash.image())
    (frame,) = (frame for frame in frames_on(store.flash) if frame.payload == name)
    size = FRAME_BYTES + len(name)
    image[frame.address : frame.address + size] = b"\xff" * size
    return image


def test_the_first_frames_of_an_open_block_are_missed() -> None:
    store = new_store()
    store._volume.state.segments.wake(0)
    store._volume.state.segments.advance(0)
    head = store._volume.state.log.heads[0]
    assert head is not None
    store.open("first", "w").close()
    store.open("second", "w").close()
    assert doubts(store.flash.image()) == []
    assert doubts(without(store, b"first")) == [head.start + RECORD_BYTES]


def test_a_first_frame_that_was_written_again_misses_nothing() -> None:
    store = new_store()
    store._volume.state.segments.wake(0)
    store._volume.state.segments.advance(0)
    store.open("first", "w").close()
    Store.mount(store.flash)
    first, again = [frame for frame in frames_on(store.flash) if frame.kind != Kind.MARK][-1], store.flash.image()
    assert first.payload == b"first"
    assert first.address % 128 != 0 or first.address % 1024 != RECORD_BYTES
    assert doubts(again) == []


def test_the_last_frames_of_a_block_left_without_a_seal_are_missed() -> None:
    store = new_store()
    store.open("first", "w").close()
    store.open("last", "w").close()
    end = frames_on(store.flash)[-1].address
    state = store._volume.state
    state.segments.abandon(0, state.log.sequence)
    put(store, "next", b"n")
    assert doubts(store.flash.image()) == []
    assert doubts(without(store, b"last")) == [end]


@pytest.mark.parametrize("left", [False, True])
def test_a_head_whose_last_frame_is_damaged_below_newer_ones_of_the_other_is_refused(left: bool) -> None:
    """A frame that a cut tore would be the newest of all."""
    settings = StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=2, cleaner="oldest-first")
    store = Store.format(NorFlash(12, **SIZES), settings)
    put(store, "static", bytes(700))
    churn(store, 60)
    log = store._volume.state.log
    assert None not in log.heads
    store._volume.state.segments.wake(1)
    if left:
        store._volume.state.segments.abandon(1, log.sequence)
    log.append(1, Kind.MARK, 0, 0, 0, b"")
    store.open("torn", "w").close()
    torn = frames_on(store.flash)[-1]
    damaged = bytearray(store.flash.image())
    damaged[torn.address + HEADER_BYTES] ^= 1
    assert "torn" not in contents(Store.mount(NorFlash.from_image(damaged, **SIZES)))
    for _ in range(2):
        log.append(1, Kind.MARK, 0, 0, 0, b"")
    sound, damaged = store.flash.image(), bytearray(store.flash.image())
    assert "torn" in contents(Store.mount(NorFlash.from_image(sound, **SIZES)))
    damaged[torn.address + HEADER_BYTES] ^= 1
    for read_only in (True, False):
        with pytest.raises(CorruptStore, match=rf"flash address {torn.address:#x}"):
            Store.mount(NorFlash.from_image(damaged, **SIZES), read_only)


@pytest.mark.parametrize("copy_alone", [False, True])
def test_a_head_states_the_last_frame_of_the_other_as_it_opens_a_block(copy_alone: bool) -> None:
    """What it wrote before that may be erased: no gap would tell that the other's frame is damaged, not cut. Where only
    the copy of the open record is left, the frame is taken for one that was cut, and told as a doubt."""
    settings = StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=2)
    store = Store.format(NorFlash(12, **SIZES), settings)
    put(store, "static", bytes(700))
    churn(store, 60)
    state = store._volume.state
    state.segments.wake(1)
    store.open("last", "w").close()
    last = frames_on(store.flash)[-1]
    state.segments.advance(1)
    head, own = state.log.heads[1], state.log.heads[0]
    assert head is not None
    assert own is not None
    state.log.append(1, Kind.MARK, 0, 0, 0, b"")
    sound, damaged = store.flash.image(), bytearray(store.flash.image())
    record = codec.decode_open_record(sound[head.start + OPEN_AT : head.end])
    assert record is not None
    assert record[0].base - record[0].behind == last.sequence == own.base + own.table.next_order - 1
    assert doubts(sound) == []
    damaged[last.address + HEADER_BYTES] ^= 1
    if copy_alone:
        damaged[head.start + OPEN_AT] ^= 1
        assert doubts(damaged) == [last.address]
        return
    for read_only in (True, False):
        with pytest.raises(CorruptStore, match=rf"flash address {last.address:#x}"):
            Store.mount(NorFlash.from_image(damaged, **SIZES), read_only)


@pytest.mark.parametrize("heads", [1, 2])
def test_a_frame_that_is_missing_between_two_of_one_head_is_damage(heads: int) -> None:
    """With two heads the number may have been the other's: a doubt."""
    store = Store.format(NorFlash(8, **SIZES), StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=heads))
    for name in ("first", "second", "third"):
        store.open(name, "w").close()
    (missing,) = (frame for frame in frames_on(store.flash) if frame.payload == b"second")
    image = without(store, b"second")
    if heads == 1:
        with pytest.raises(CorruptStore, match=rf"flash address {missing.address:#x}"):
            doubts(image)
    else:
        assert doubts(image) == [missing.address]


def test_the_mark_that_ends_a_settled_tail_may_be_missing_once_the_head_is_awake() -> None:
    """It may have read back whole at one mount, which wrote nothing, and not at the next."""
    store = new_store()
    store.open("first", "w").close()
    store = Store.mount(store.flash)
    mark = frames_on(store.flash)[-1]
    assert mark.kind == Kind.MARK
    store = Store.mount(store.flash)
    store.open("second", "w").close()
    image = bytearray(store.flash.image())
    image[mark.address : mark.address + FRAME_BYTES] = b"\xff" * FRAME_BYTES
    doubts(image)
    assert set(contents(Store.mount(NorFlash.from_image(image, **SIZES)))) == {"first", "second"}


def test_a_new_block_of_the_other_head_shows_that_a_frame_is_damaged() -> None:
    """All that is numbered above its base stands in one of the two open blocks."""
    settings = StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=2)
    store = Store.format(NorFlash(12, **SIZES), settings)
    put(store, "static", bytes(700))
    churn(store, 60)
    segments, log = store._volume.state.segments, store._volume.state.log
    segments.wake(1)
    segments.advance(1)
    store.open("last", "w").close()
    last = frames_on(store.flash)[-1]
    log.append(1, Kind.MARK, 0, 0, 0, b"")
    log.append(1, Kind.MARK, 0, 0, 0, b"")
    damaged = bytearray(store.flash.image())
    damaged[last.address + HEADER_BYTES] ^= 1
    with pytest.raises(CorruptStore, match=rf"flash address {last.address:#x}"):
        doubts(damaged)
