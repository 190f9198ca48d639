"""What a mount makes of the frames that it finds: the newest of everything, and nothing that has gone."""

from __future__ import annotations

from random import Random

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.format.codec import FRAME_BYTES, HEADER_BYTES, Kind
from simfs.store.tables.blocks import State
from tests.support.on_flash import churn, contents, frames_on, mounted, put


def small_store(**settings: object) -> Store:
    config = StoreConfig(**{"buffer_bytes": 64, "name_bytes": 16, "level_threshold": 0, **settings})  # type: ignore[arg-type]
    return Store.format(NorFlash(10, 1024, 128), config)


def go_on(store: Store) -> None:
    """Let the log go on in the next block."""
    state = store._volume.state
    for which in range(len(state.log.heads)):
        state.segments.wake(which)
    state.segments.advance(0)


def clean_all(store: Store) -> None:
    """Clean each closed block once, and erase what is free."""
    state = store._volume.state
    go_on(store)
    for block in list(state.blocks.closed):
        if state.blocks.state[block] == State.CLOSED:
            store._volume.cleaner.clean(block)
        go_on(store)


@pytest.mark.parametrize("heads", [1, 2])
def test_bytes_written_over_in_place_are_the_newest(heads: int) -> None:
    store = small_store(log_heads=heads)
    put(store, "pages", bytes(600))
    expected, random = bytearray(600), Random(1)
    with store.open("pages", "r+") as file:
        for _ in range(150):
            at, data = random.randrange(590), random.randbytes(10)
            file.seek(at)
            file.write(data)
            expected[at : at + 10] = data
            file.flush()
            if random.random() < 0.2:
                assert mounted(store) == {"pages": expected}
    assert store.check() == []


def test_a_file_made_after_a_mount_does_not_share_the_number_of_another() -> None:
    store = small_store()
    put(store, "old", b"o" * 100)
    store = Store.mount(store.flash)
    put(store, "new", b"n" * 50)
    numbers = {frame.payload: frame.file for frame in frames_on(store.flash) if frame.kind == Kind.NAME}
    assert numbers[b"new"] != numbers[b"old"]
    assert contents(store) == mounted(store) == {"old": b"o" * 100, "new": b"n" * 50}


def test_opening_with_w_gives_a_file_a_new_number_so_that_old_bytes_can_never_come_back() -> None:
    store = small_store()
    put(store, "a", b"old")
    put(store, "a", b"")
    named = [frame.file for frame in frames_on(store.flash) if frame.kind == Kind.NAME]
    assert len(named) == len(set(named)) == 2
    assert mounted(store) == {"a": b""}


@pytest.mark.parametrize("target", ["b", "there"])
def test_a_renamed_file_has_one_name_after_its_frame_was_cleaned(target: str) -> None:
    store = small_store()
    put(store, "there", b"replaced, or not")
    put(store, "a", b"walks")
    go_on(store)
    store.rename("a", target)
    expected = {"there": b"replaced, or not"} | {target: b"walks"}
    assert contents(store) == mounted(store) == expected
    for _ in range(3):
        clean_all(store)
        assert contents(store) == mounted(store) == expected
    assert store.check() == []


def test_a_file_cut_and_grown_shows_zeros_and_no_older_bytes() -> None:
    store = small_store()
    put(store, "a", b"x" * 200)
    store.truncate("a", 30)
    store.truncate("a", 120)
    put(store, "a", b"y" * 5, "a")
    expected = {"a": b"x" * 30 + bytes(90) + b"y" * 5}
    assert contents(store) == mounted(store) == expected
    clean_all(store)
    assert contents(store) == mounted(store) == expected


def test_every_frame_in_a_listed_block_is_checked_when_it_is_read() -> None:
    """A mount takes the runs of a sealed block from its seal: only the read meets the damage."""
    store = small_store()
    put(store, "long", Random(2).randbytes(1800))
    closed = {block.number for block in store.blocks() if block.state == "closed"}
    frames = [frame for frame in frames_on(store.flash) if frame.block in closed and frame.kind == Kind.DATA]
    assert len(frames) > 8
    for frame in frames:
        for at in (HEADER_BYTES, HEADER_BYTES + len(frame.payload) - 1, FRAME_BYTES + len(frame.payload) - 1):
            image = bytearray(store.flash.image())
            image[frame.address + at] ^= 0x20
            flash = NorFlash.from_image(image, 1024, 128)
            with Store.mount(flash, read_only=True).open("long") as file:
                file.seek(frame.offset)
                with pytest.raises(CorruptStore, match=f"block {frame.block} at byte {frame.address % 1024}"):
                    file.read(1)
                file.seek(0 if frame.offset else 200)
                assert len(file.read(10)) == 10


def test_a_read_only_mount_leaves_a_log_in_doubt_as_it_is() -> None:
    """The newest frame might be torn tomorrow: a mount that may write settles that, this one does not."""
    store = small_store()
    churn(store, 20)
    image, expected = store.flash.image(), contents(store)
    assert mounted(store) == expected
    assert store.flash.image() == image
    assert contents(Store.mount(store.flash)) == expected
    assert store.flash.image() != image


def test_runs_of_two_heads_are_applied_by_their_own_order() -> None:
    """What head 0 writes over in its older block is newer than what was moved to the younger block of head 1."""
    store = Store.format(NorFlash(12, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=2))
    put(store, "a", b"a" * 700)
    state = store._volume.state
    state.segments.advance(0)
    put(store, "b", b"b")
    node = store._volume.lookup(b"a")
    assert node is not None
    store._volume.cleaner._head = 1
    store._volume.cleaner.clean(node.places[0] // 1024)
    young, old = state.log.heads[1], state.log.heads[0]
    assert young is not None
    assert old is not None
    assert young.base > old.base
    with store.open("a", "r+") as file:
        file.write(b"A" * 50)
    assert mounted(store)["a"] == b"A" * 50 + b"a" * 650


def test_a_frame_of_the_longest_payload_counts() -> None:
    """A HOLE with a whole buffer behind it."""
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    with store.open("a", "w") as file:
        file.seek(10)
        file.write(b"x" * 64)
    assert max(len(frame.payload) for frame in frames_on(store.flash)) == store._volume.state.layout.payload_max == 68
    assert mounted(store) == {"a": bytes(10) + b"x" * 64}


def test_file_numbers_go_on_where_they_were() -> None:
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    for number in range(1, 6):
        store.open(f"f{number}", "w").close()
        store = Store.mount(store.flash)
        node = store._volume.lookup(f"f{number}".encode())
        assert node is not None
        assert (node.number, store._volume.state.next_number) == (number, number + 1)
