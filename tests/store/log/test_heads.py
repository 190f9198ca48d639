"""Log heads, block changes and the limits of a block."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.format.codec import BASE, ORDER_MAX, Kind
from simfs.store.log.block_scan import read_scan, table_of
from simfs.store.log.heads import Log
from simfs.store.log.seal import read_listing
from tests.support.on_flash import churn, contents, frames_on, mounted, put, statements_on


def test_two_heads_keep_relocated_data_apart_from_new() -> None:
    store = Store.format(NorFlash(12, 1024, 128), StoreConfig(log_heads=2, cleaner="oldest-first", buffer_bytes=64))
    put(store, "static", b"s" * 700)
    churn(store, 60)
    assert store.meters.relocated_bytes > 0
    state = store._volume.state
    heads = {head.block for head in state.log.heads if head is not None}
    assert len(heads) == 2
    relocated = state.log.heads[1]
    assert relocated is not None
    static = {frame.block for frame in frames_on(store.flash) if frame.kind == Kind.DATA and frame.payload[:1] == b"s"}
    assert {statements_on(store.flash)[block][0].head for block in static} == {1}
    assert contents(store) == mounted(store)


@pytest.mark.parametrize("heads", [1, 2])
def test_no_two_frames_share_a_sequence_number(heads: int) -> None:
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(log_heads=heads, buffer_bytes=64, name_bytes=16))
    random = Random(5)
    for number in range(300):
        put(store, f"f{random.randrange(5)}", random.randbytes(random.randrange(120)))
        if number % 40 == 39:
            store = Store.mount(store.flash)
        if number % 20 == 0:
            sequences = [frame.sequence for frame in frames_on(store.flash)]
            assert len(set(sequences)) == len(sequences)
            assert max(sequences) < store._volume.state.log.sequence
    assert store.check() == []


def test_a_head_that_waits_too_long_takes_a_new_block() -> None:
    """`order` has 20 bits: when the other head has written a million frames since, the block is left."""
    store = Store.format(NorFlash(16, 4096, 256), StoreConfig(log_heads=2, cleaner="oldest-first"))
    put(store, "static", b"s" * 3000)
    put(store, "more", b"m" * 3000)
    churn(store, 100, size=300)
    log, cleaner, blocks = store._volume.state.log, store._volume.cleaner, store._volume.state.blocks
    cleaner.clean(min(filter(blocks.live.__getitem__, blocks.closed), key=blocks.live.__getitem__))
    waiting = log.heads[1]
    assert waiting is not None
    log.sequence = waiting.base + ORDER_MAX  # as if head 0 had written so many
    assert log.fits(1, Kind.LEFT, 0, 0, 0, BASE.size)
    log.append(1, Kind.LEFT, 99, 0, BASE.size, BASE.pack(1))
    assert not log.fits(1, Kind.LEFT, 0, 0, 0, BASE.size)
    with store.open("churn", "w") as file:
        file.write(b"goes on")
    cleaner.clean(max(blocks.closed, key=blocks.live.__getitem__))
    assert log.heads[1] is not None
    assert log.heads[1].base > waiting.base
    assert contents(store)["static"] == b"s" * 3000
    assert contents(store) == mounted(store)
    assert store.check() == []


def test_orders_beyond_20_bits_in_one_block() -> None:
    """As if nearly a million frames stood in it already; the first frame has order 1."""
    store = Store.format(NorFlash(6, 4096, 256), StoreConfig(level_threshold=0))
    put(store, "counter", b"?")
    log = store._volume.state.log
    head = log.heads[0]
    assert head is not None
    log.sequence = head.base + ORDER_MAX - 4
    with store.open("counter", "r+") as file:
        for number in range(20):
            file.seek(0)
            file.write(bytes([number]))
            file.flush()
    frames = [frame for frame in frames_on(store.flash) if frame.kind == Kind.DATA]
    assert max(frame.sequence for frame in frames if frame.block == head.block) == head.base + ORDER_MAX
    assert {frame.block for frame in frames} == {head.block, store._volume.state.segments.lead}
    assert Store.mount(store.flash, read_only=True)._volume.lookup(b"counter") is not None


def test_a_block_with_few_runs_lists_them_in_its_seal_and_one_with_many_does_not() -> None:
    store = Store.format(NorFlash(8, 4096, 256), StoreConfig(level_threshold=0))
    put(store, "long", bytes(5000))
    for number in range(200):
        put(store, f"n{number % 20}", b"x")
    state = store._volume.state
    listed = {}
    for block in state.blocks.closed:
        sealed = read_listing(store.flash, state.layout, block)
        assert sealed is not None
        listed[block] = sealed[1]
    assert [len(runs) for runs in listed.values() if runs is not None] == [2]
    assert None in listed.values()
    assert contents(store) == mounted(store)


@pytest.mark.parametrize("settings", [{}, {"packing": "page"}, {"log_heads": 2}])
@pytest.mark.parametrize("limits", [{"program_unit_bytes": 8}, {"program_unit_bytes": 16}, {"page_programs_max": 8}])
def test_the_store_obeys_the_limits_of_flash_in_a_microcontroller(
    limits: dict[str, int], settings: dict[str, object]
) -> None:
    """A strict flash raises when a program unit, or a page, is programmed more often than it allows."""
    flash = NorFlash(14, 4096, 256, **limits)
    store = Store.format(flash, StoreConfig(buffer_bytes=100, name_bytes=16, **settings))  # type: ignore[arg-type]
    random = Random(6)
    for number in range(1000):
        name = f"f{random.randrange(8)}"
        grows = store.exists(name) and store.stat(name).size_bytes < 300
        put(store, name, random.randbytes(random.randrange(120)), random.choice("wa") if grows else "w")
        if number % 50 == 49:
            store = Store.mount(flash)
    assert flash.erases > 5
    assert store.check() == []


TWO_HEADS = {"log_heads": 2, "cleaner": "oldest-first"}


@pytest.mark.parametrize("settings", [{}, {"packing": "page"}, TWO_HEADS, {"buffer_bytes": 64}])
def test_a_frame_that_plainly_fits_is_what_it_is_after_a_longer_look(
    settings: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Frames of any length, files in turn, holes and block changes between them."""

    def outcome() -> tuple[Any, ...]:
        store = Store.format(NorFlash(14, 2048, 128), StoreConfig(**settings))
        put(store, "static", b"s" * 700)
        random = Random(7)
        for number in range(2000):
            name = f"f{random.randrange(8) // 6}"
            with store.open(name, "w" if number % 10 == 0 or not store.exists(name) else "r+") as file:
                size = file.seek(0, 2)
                if random.randrange(20) == 0:
                    file.seek(random.randrange(size + 9))
                file.write(random.randbytes(random.randrange(1, 60)))
        log = store.volume.state.log
        return store.flash.image(), store.flash.counts, store.meters, store.usage(), log.logged_bytes, store.check()

    quick = outcome()
    monkeypatch.setattr(Log, "plainly_fits", lambda self, payload_bytes: False)
    assert outcome() == quick


def test_a_run_does_not_go_on_over_what_the_other_head_wrote() -> None:
    store = Store.format(NorFlash(14, 2048, 128), StoreConfig(log_heads=2))
    put(store, "f", b"12345")
    log, node = store.volume.state.log, store.volume.lookup(b"f")
    assert node is not None
    log.sequence += 1  # as if it had
    first = log.write(0, node.number, 5, b"6")
    assert first.offset == 5
    assert log.write(0, node.number, 6, b"7") is first


@pytest.mark.parametrize("settings", [{}, {"packing": "page"}, {"log_heads": 2}])
def test_the_runs_of_an_open_block_are_those_of_its_frames(settings: dict[str, object]) -> None:
    """Also of one that a mount took up and settled."""
    store = Store.format(NorFlash(14, 1024, 64), StoreConfig(buffer_bytes=40, name_bytes=12, **settings))  # type: ignore[arg-type]
    random = Random(8)
    for number in range(150):
        name = f"f{random.randrange(4)}"
        put(store, name, random.randbytes(random.randrange(100)), random.choice(["w", "a"]))
        if number % 7 == 0:
            store.truncate(name, random.randrange(150))
        if number % 10 == 9:
            store = Store.mount(store.flash)
        state = store._volume.state
        for head in filter(None, state.log.heads):
            found = table_of(state.layout, read_scan(state, head.block))
            assert [run.encode(head.start) for run in head.table.runs] == [run.encode(head.start) for run in found.runs]
            assert [run.length for run in head.table.runs] == [run.length for run in found.runs]
            assert head.table.next_order >= found.next_order
    assert store.check() == []


def test_no_room_is_left_beyond_the_last_order() -> None:
    store = Store.format(NorFlash(8, 4096, 256), StoreConfig())
    put(store, "a", b"a")
    log = store._volume.state.log
    head = log.heads[0]
    assert head is not None
    room = log.room_left(0, False)
    log.sequence = head.base + ORDER_MAX
    assert log.room_left(0, False) == room > 0
    log.sequence += 1
    assert log.room_left(0, False) == -1
    log.sleep()
    log.sequence -= 1
    assert log.room_left(0, False) == -1


@pytest.mark.parametrize("heads", [1, 2])
def test_the_programs_of_the_page_that_a_head_is_in_are_counted(heads: int) -> None:
    """Not fewer than the chip has seen, or the page would be worn out before the log leaves it; more only after a
    mount, which can't know of what was cut."""
    flash = NorFlash(14, 1024, 128, page_programs_max=12)
    store = Store.format(flash, StoreConfig(buffer_bytes=40, name_bytes=12, log_heads=heads))
    random = Random(9)
    for number in range(200):
        put(store, f"f{random.randrange(4)}", random.randbytes(random.randrange(60)), random.choice(["w", "a"]))
        if number % 10 == 9:
            store = Store.mount(flash)
        for head in filter(None, store._volume.state.log.heads):
            seen = flash._page_programs[head.at // 128]
            if head.at % 128:
                assert seen <= head.page_programs <= seen + (number >= 9)
    assert store.check() == []
