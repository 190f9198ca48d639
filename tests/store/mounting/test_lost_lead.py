"""The newest block is lost: an older statement rules then. A block begins its seal when the next one has been erased
and read back, so nothing that is older than the seal can stand in that one."""

from __future__ import annotations

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.recovery.move import kill
from tests.support.on_flash import contents, lead_of, put

BLOCK = 1024
SIZES = {"block_bytes": BLOCK, "page_bytes": 128}
BEFORE = {"kept": b"k" * 200, "turned": bytes([59]) * 130}


def worked_store(heads: int = 1) -> Store:
    """Every block of it has been used."""
    config = StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=heads)
    store = Store.format(NorFlash(8, **SIZES), config)
    put(store, "kept", BEFORE["kept"])
    for turn in range(60):
        put(store, "turned", bytes([turn]) * 130)
    return store


def gone_on(store: Store) -> int:
    """The log goes on in another block, which gets a file."""
    store._volume.state.segments.advance(0)
    put(store, "newest", b"n")
    return lead_of(store.flash)


def with_block(image: bytes, block: int, raw: bytes) -> NorFlash:
    changed = image[: block * BLOCK] + raw + image[(block + 1) * BLOCK :]
    return NorFlash.from_image(changed, **SIZES)


@pytest.mark.parametrize("heads", [1, 2])
def test_a_newest_block_with_older_content_is_told(heads: int) -> None:
    store = worked_store(heads)
    older = store.flash.image()
    lead = gone_on(store)
    flash = with_block(store.flash.image(), lead, older[lead * BLOCK : (lead + 1) * BLOCK])
    (damage,) = Store.mount(flash, read_only=True).damages
    assert "the log has gone on in block" in damage.what
    assert (damage.certain, set(damage.maybe)) == (True, set(BEFORE))
    image = flash.image()
    with pytest.raises(CorruptStore, match="the log has gone on in block"):
        Store.mount(flash)
    assert flash.image() == image


def test_a_newest_block_that_is_zeroed_is_told_and_a_mount_to_write_goes_on() -> None:
    """Chips that fail, and a cut, may leave the same."""
    store = worked_store()
    lead = gone_on(store)
    flash = with_block(store.flash.image(), lead, bytes(BLOCK))
    mounted = Store.mount(flash, read_only=True)
    (damage,) = mounted.damages
    assert (damage.begin, damage.certain, set(damage.maybe)) == (lead * BLOCK, False, set(BEFORE))
    assert contents(mounted) == contents(Store.mount(flash)) == BEFORE


def test_a_newest_block_that_is_blank_is_what_a_cut_leaves() -> None:
    store = worked_store()
    lead = gone_on(store)
    mounted = Store.mount(with_block(store.flash.image(), lead, b"\xff" * BLOCK), read_only=True)
    assert (mounted.damages, contents(mounted)) == ((), BEFORE)


def test_a_block_that_a_recovery_has_killed_lately_is_not_the_newest() -> None:
    store = worked_store()
    state = store._volume.state
    (killed,) = set(state.blocks.named) - {state.segments._clean_block(cold=False)}
    kill(store.flash, state.layout, killed)
    state.segments.leave(0)
    mounted = Store.mount(store.flash, read_only=True)
    assert (mounted.damages, contents(mounted)) == ((), BEFORE)
    zeroed = Store.mount(with_block(store.flash.image(), killed, bytes(BLOCK)), read_only=True)
    assert [damage.begin for damage in zeroed.damages] == [killed * BLOCK]


def test_behind_a_block_without_a_seal_nobody_can_tell() -> None:
    """Two images of the same bytes: of one the erase was cut before it did anything, of the other the newest block was
    put back to what it was before."""
    store = worked_store()
    segments = store._volume.state.segments
    segments._abandon(0)  # as if a program had failed
    segments.mark_left()
    cut = store.flash.image()
    segments._open(0, segments._clean_block(cold=False), cold=False)
    put(store, "newest", b"n")
    lead = lead_of(store.flash)
    damaged = with_block(store.flash.image(), lead, cut[lead * BLOCK : (lead + 1) * BLOCK])
    assert damaged.image() == cut
    assert contents(Store.mount(damaged)) == BEFORE
