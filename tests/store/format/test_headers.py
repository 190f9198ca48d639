"""The header of a block: its open record, the short copy that stands in for it, and the discard mark at its end."""

from __future__ import annotations

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.format.codec import DISCARD_AT, RECORD_BYTES
from simfs.store.tables.blocks import State
from tests.support.on_flash import (
    COPY_AT,
    OPEN_AT,
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

ERASE_RECORD, OPEN_RECORD, COPY = range(16), range(OPEN_AT, COPY_AT), range(COPY_AT, DISCARD_AT)


@pytest.mark.parametrize("heads", [1, 2])
def test_a_header_serves_while_its_open_record_or_the_copy_is_sound(heads: int) -> None:
    store = worked_store(StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=heads), block_count=8)
    image, expected = bytearray(store.flash.image()), contents(store)
    blocks = sorted({frame.block for frame in frames_on(store.flash)})
    assert len(blocks) > 3
    for start in (512 * block for block in blocks):
        for at in range(0, RECORD_BYTES, heads):
            image[start + at] ^= 1 << at % 8
            assert outcome(image) == expected, (start // 512, at)
            image[start + at] ^= 1 << at % 8
        for record in (OPEN_RECORD, COPY):
            damaged = bytearray(image)
            damaged[start + record.start : start + record.stop] = bytes(len(record))
            assert outcome(damaged) == expected, (start // 512, record)


@pytest.mark.parametrize("heads", [1, 2])
def test_a_store_goes_on_with_damaged_headers_and_cleans_the_blocks(heads: int) -> None:
    """Of each block in use one record is damaged, by turns; not the open record of all, which hold the settings."""
    store = worked_store(StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=heads), block_count=8)
    image, expected = bytearray(store.flash.image()), contents(store)
    assert frames_on(store.flash)
    for block in {frame.block for frame in frames_on(store.flash)}:
        record = (OPEN_RECORD, COPY, ERASE_RECORD)[block % 3]
        image[512 * block + record.start] ^= 1
    flash = flash_of(image)
    store = Store.mount(flash)
    assert contents(store) == expected
    churn(store, 40)
    assert store.check() == []
    expected["churn"] = bytes([39]) * 200
    assert contents(store) == expected == mounted(store)


def test_an_open_block_whose_header_is_damaged_is_named_with_its_place() -> None:
    """The newest open record says which blocks are open, so that none of them can vanish."""
    config = StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=2, cleaner="oldest-first")
    store = Store.format(NorFlash(8, 512, 64), config)
    put(store, "static", bytes(300))
    churn(store, 40)
    heads = [head for head in store._volume.state.log.heads if head is not None]
    assert len(heads) == 2
    older = min(heads, key=lambda head: head.base).block
    image = bytearray(store.flash.image())
    for record in (OPEN_RECORD, COPY):
        image[512 * older + record.start] ^= 0x10
    text = refusal(image)
    assert f"block {older} " in text
    assert f"{512 * older:#x}" in text


def test_a_block_that_the_newest_open_record_names_is_not_erased() -> None:
    """A mount would miss it. Another open record makes it free to go."""
    config = StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=2, cleaner="oldest-first")
    store = Store.format(NorFlash(8, 512, 64), config)
    put(store, "static", bytes(300))
    churn(store, 40)
    state = store._volume.state
    head = state.log.heads[1]
    assert head is not None
    store.remove("static")
    state.segments.leave(1)
    store._volume.cleaner.clean(head.block)
    assert state.blocks.state[head.block] == State.FREED
    assert head.block in state.segments.stated
    assert head.block not in state.segments.erasable()
    assert mounted(store) == contents(store)
    state.segments.advance(0)
    assert head.block not in state.segments.stated
    assert mounted(store) == contents(store)


def test_a_discarded_block_holds_nothing_and_is_erased_first() -> None:
    """The discard mark is programmed before the erase, and counts from half of its bytes on: the store goes on as if
    the block were blank, and its erase is made up for."""
    store = worked_store()
    blocks = {frame.block for frame in frames_on(store.flash)}
    store.idle(0)
    freed = [block.number for block in store.blocks() if block.state == "freed"]
    assert freed
    assert set(freed) <= blocks
    expected = contents(store)
    for zeros in (8, 16):
        image = bytearray(store.flash.image())
        start = 512 * freed[0]
        image[start + DISCARD_AT : start + DISCARD_AT + zeros] = bytes(zeros)
        flash = flash_of(image)
        again = Store.mount(flash)
        assert contents(again) == expected
        assert flash.erase_counts[freed[0]] == 1
        assert flash.image()[start : start + 16] != image[start : start + 16]
        assert again.check() == []


@pytest.mark.parametrize("zeros", range(9))
def test_a_mark_of_less_than_half_its_bytes_does_not_count(zeros: int) -> None:
    store = worked_store()
    block = next(block.number for block in store.blocks() if block.state == "closed" and block.live_bytes)
    image = bytearray(store.flash.image())
    image[512 * block + DISCARD_AT : 512 * block + DISCARD_AT + zeros] = bytes(zeros)
    assert (outcome(image) == contents(store)) == (zeros < 8)


def test_a_block_without_a_sound_header_is_erased_and_serves_again() -> None:
    """As a cut erase leaves one: part of it zeroed, part of it blank."""
    store = worked_store()
    expected = contents(store)
    torn = next(block.number for block in store.blocks() if block.state in ("ready", "freed"))
    image = bytearray(store.flash.image())
    image[512 * torn : 512 * torn + 300] = bytes(300)
    found = Store.mount(flash_of(image), read_only=True)
    assert (found.blocks()[torn].state, found.check()) == ("freed", [])
    again = Store.mount(flash_of(image))
    assert again.check() == []
    churn(again, 30)
    assert again.flash.erase_counts[torn] > 0
    assert again.check() == []
    assert contents(again) == mounted(again) == expected | {"churn": bytes([29]) * 200}
