"""Cleaning and levelling keep every byte, join small frames, and never run out of blocks."""

from __future__ import annotations

import errno
from random import Random

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.cleaning.mover import Mover
from simfs.store.format.codec import Kind
from simfs.store.format.config import CLEANERS
from simfs.store.tables.blocks import State
from tests.support.on_flash import churn, contents, frames_on, mounted, put
from tests.support.sides import errno_of

FLASH = {"block_count": 8, "block_bytes": 1024, "page_bytes": 128}


def make_store(*, block_count: int = 8, block_bytes: int = 1024, **settings: object) -> Store:
    flash = NorFlash(block_count, block_bytes, 128)
    return Store.format(flash, StoreConfig(**{"buffer_bytes": 64, "name_bytes": 16, **settings}))  # type: ignore[arg-type]


def close_open_blocks(store: Store) -> list[int]:
    """Let every head go on in another block; the blocks that it left, which are closed now."""
    state = store._volume.state
    log = state.log
    for which in range(len(log.heads)):
        state.segments.wake(which)
    left = [head.block for head in log.heads if head is not None]
    for which, head in enumerate(log.heads):
        if head is not None:
            state.segments.advance(which)
    return left


def test_relocation_joins_the_small_frames_of_a_run() -> None:
    store = make_store()
    with store.open("log", "w") as file:
        for number in range(12):
            file.write(b"reading %02d;" % number)
            file.flush()
    (before,) = {frame.block for frame in frames_on(store.flash) if frame.kind == Kind.DATA}
    assert sum(frame.kind == Kind.DATA for frame in frames_on(store.flash)) == 12
    close_open_blocks(store)
    store._volume.cleaner.clean(before)
    moved = [frame for frame in frames_on(store.flash) if frame.kind == Kind.DATA and frame.block != before]
    assert [len(frame.payload) for frame in moved] == [64, 64, 4]
    assert b"".join(frame.payload for frame in moved) == b"".join(b"reading %02d;" % number for number in range(12))
    assert store.meters.relocated_bytes == 132
    assert store.check() == []


@pytest.mark.parametrize("heads", [1, 2])
def test_cleaning_any_block_keeps_every_file(heads: int) -> None:
    store = make_store(log_heads=heads)
    random = Random(1)
    for number in range(6):
        put(store, f"f{number}", random.randbytes(150 + number))
    store.truncate("f1", 300)
    store.truncate("f2", 7)
    with store.open("f3", "r+") as file:
        file.seek(200)
        file.write(b"behind a gap")
    store.rename("f4", "g4")
    store.remove("f5")
    expected = contents(store)
    for _ in range(12):
        (block, *_) = store._volume.state.blocks.closed or close_open_blocks(store)
        store._volume.cleaner.clean(block)
        while store._volume.state.blocks.free_count < 4:
            close_open_blocks(store)
            store._volume.cleaner.clean(store._volume.state.blocks.closed[0])
        assert contents(store) == expected
        assert store.check() == []
        assert mounted(store) == expected
    assert expected["f1"] == expected["f1"][:151] + bytes(149)


def test_a_cleaned_block_is_not_erased_before_the_block_its_frames_went_to_is_closed() -> None:
    """The statement that names it is behind the frames, in the same block at the earliest: a cut before leaves the
    source as it is, and only the block after that one is erased for it."""
    for heads in (1, 2):
        store = make_store(level_threshold=0, log_heads=heads)
        put(store, "kept", b"k" * 300)
        state = store._volume.state
        source = close_open_blocks(store)[0]
        store._volume.cleaner.clean(source)
        (target,) = {place // 1024 for place in store._volume.lookup(b"kept").places}  # type: ignore[union-attr]
        assert source in state.blocks.freed
        while source not in state.blocks.named:
            image = store.flash.image()
            assert image[source * 1024 : (source + 1) * 1024].strip(b"\xff"), "it stands until it is named"
            state.segments.advance(0)
        while state.blocks.state[source] == State.FREED:
            assert source in state.blocks.named
            state.segments.advance(0)
        assert state.blocks.state[target] == State.CLOSED
        assert contents(store) == mounted(store)


@pytest.mark.parametrize("heads", [1, 2])
@pytest.mark.parametrize("packing", ["byte", "page"])
@pytest.mark.parametrize("cleaner", CLEANERS)
def test_every_cleaner_serves_a_nearly_full_store(cleaner: str, packing: str, heads: int) -> None:
    sizes = {"block_count": 14, "block_bytes": 2048} if packing == "page" else {"block_count": 10}
    flash = NorFlash(**{**FLASH, **sizes})
    buffer = 64 if packing == "byte" else None
    settings = StoreConfig(cleaner=cleaner, packing=packing, log_heads=heads, buffer_bytes=buffer, name_bytes=16)
    store = Store.format(flash, settings)
    random, expected = Random(2), {}
    for _ in range(400):
        name, data = f"f{random.randrange(12)}", random.randbytes(random.choice((10, 60, 150)))
        try:
            put(store, name, data)
            expected[name] = data
        except OSError as error:
            assert error.errno == errno.ENOSPC  # noqa: PT017 - a full store refuses and goes on
            expected = contents(store)
    assert contents(store) == expected
    assert mounted(store) == expected
    assert store.check() == []
    assert store.meters.cleanings > 5


def test_levelling_moves_what_lies_still() -> None:
    """With a threshold the block of static data takes part; without, it is never erased."""
    spread = {}
    for threshold in (0, 4):
        store = make_store(level_threshold=threshold)
        put(store, "static", bytes(range(256)) * 3)
        churn(store, 700)
        counts = store.erase_counts
        spread[threshold] = max(counts) - min(counts)
        assert contents(store)["static"] == bytes(range(256)) * 3
        assert store.check() == []
    assert spread[0] > 20
    assert spread[4] <= 4 + 4


def test_idle_time_cleans_and_erases_ahead_and_never_passes_its_budget() -> None:
    store = make_store(idle_cleaning=True)
    churn(store, 40)
    sheet = store.flash.datasheet
    budget = 3 * sheet.erase_max_ns
    cleanings = store.meters.cleanings
    before = store.flash.counts.busy_ns(sheet)
    used = store.idle(budget)
    assert store.flash.counts.busy_ns(sheet) - before == used <= budget
    for _ in range(20):
        store.idle(10 * sheet.erase_max_ns)
    assert store.meters.cleanings > cleanings
    assert store.idle(10 * sheet.erase_max_ns) == 0, "nothing is left to do ahead"
    assert store.check() == []
    assert contents(store) == mounted(store)


def test_a_block_in_which_not_all_is_found_is_set_aside_and_not_erased() -> None:
    """More is said to be live in it than its runs hold: better a block less than bytes lost."""
    store = make_store()
    put(store, "kept", bytes(600))
    (victim,) = close_open_blocks(store)
    store._volume.state.blocks.charge(victim * 1024 + 128, 7)
    store._volume.cleaner.clean(victim)
    assert [view.state for view in store.blocks()].count("damaged") == 1
    assert store.blocks()[victim].state == "damaged"
    assert mounted(store) == {"kept": bytes(600)}


def test_when_all_other_blocks_are_lost_the_store_can_be_read_only() -> None:
    """Each block but the open one, in which little room is left."""
    store = make_store()
    for number in range(9):
        put(store, f"f{number}", bytes([number]) * 30)
    state = store._volume.state
    blocks = state.blocks
    while state.log.plainly_fits(70):
        put(store, "log", b"still fits", "a")
    for block in [block for block, kind in enumerate(blocks.state) if kind in (State.FREED, State.UNUSED)]:
        blocks.unused_count -= blocks.state[block] == State.UNUSED
        blocks.retire(block)
    for block in list(blocks.closed):
        blocks.set_aside(block)
    left = [f"f{number}" for number in range(9)]
    assert store.usage().capacity_bytes == 0
    while (refused := errno_of(store.remove, left[0])) is None:
        left.pop(0)
    assert refused == errno.EROFS
    assert 0 < len(left) < 9
    assert store.names() == [*left, "log"]
    with pytest.raises(OSError, match="7 erase blocks can't be used any more: the store is read-only"):
        store.remove("log")
    assert mounted(store) == contents(store)


def test_a_block_in_which_a_program_failed_is_cleaned_before_all_others() -> None:
    """Though it is full of live data, and others are dead."""
    store = make_store(block_count=10)
    churn(store, 6)
    put(store, "kept", bytes(600))
    put(store, "small", bytes(50))
    state = store._volume.state
    head = state.log.heads[0]
    assert head is not None
    state.segments._replace_block(0)
    put(store, "more", b"")
    live = state.blocks.live
    assert min(live[block] for block in state.blocks.closed) < live[head.block]
    assert store._volume.cleaner._victim() == head.block
    churn(store, 40)
    assert state.blocks.is_bad(head.block)
    assert contents(store)["kept"] == mounted(store)["kept"] == bytes(600)
    assert store.check() == []


def test_cleaning_ahead_is_wanted_while_few_blocks_are_free_and_some_block_is_a_quarter_dead() -> None:
    store = make_store(reserve_blocks=3)
    state, cleaner = store._volume.state, store._volume.cleaner
    blocks, room = state.blocks, state.layout.block_room
    while blocks.free_count > 3:
        churn(store, 1)
    for block in blocks.closed:
        blocks.live[block] = room
    assert not cleaner.is_wanted()
    blocks.live[blocks.closed[1]] = room * 3 // 4 + 1
    assert not cleaner.is_wanted()
    blocks.live[blocks.closed[1]] = room * 3 // 4
    assert cleaner.is_wanted()
    blocks.free(blocks.closed[0], -1)
    assert blocks.free_count == 4
    assert not cleaner.is_wanted()


@pytest.mark.parametrize("packing", ["byte", "page"])
def test_moved_bytes_are_split_to_fill_a_block_to_its_end(packing: str) -> None:
    store = make_store(packing=packing, block_bytes=2048, buffer_bytes=None if packing == "page" else 200)
    state = store._volume.state
    log, layout = state.log, state.layout
    mover = Mover(state, lambda *_: 0, lambda: False)
    seen = set()
    for number in range(100):
        put(store, "log", bytes(number % 7 + 1), "a")
        room = log.room_left(0, False)
        split = packing == "byte" and layout.split_bytes_min <= room < layout.buffer_bytes
        assert mover._chunk_bytes(1000) == (room if split else layout.buffer_bytes)
        assert mover._chunk_bytes(1) == 1
        seen.add(split)
    assert seen == ({True, False} if packing == "byte" else {False})


def test_a_cleaning_leaves_the_last_dead_block_to_an_exchange(monkeypatch: pytest.MonkeyPatch) -> None:
    """Opened by a cleaning it would name no dead block until that is done, and a cut would find none."""
    store = make_store()
    put(store, "file", b"f" * 300)
    (victim,) = close_open_blocks(store)
    state = store._volume.state
    while state.blocks.free_count > 1:
        state.segments.advance(0)
    assert state.blocks.named
    before = store.flash.erases
    monkeypatch.setattr(type(state.log), "fits", lambda *given: False)  # the open block is full
    assert not store._volume.cleaner.clean(victim)
    assert (store.flash.erases, victim in state.blocks.closed) == (before, True)
    monkeypatch.undo()
    assert contents(store) == {"file": b"f" * 300}


@pytest.mark.parametrize("unit", [1, 8])
def test_an_exchange_empties_whatever_leaves_a_page_for_its_statement(unit: int) -> None:
    """A page less would leave the victim as it is, and then no dead block is named any more."""
    emptied = {}
    for size in range(64, 600, 24):
        flash = NorFlash(8, 1024, 256, program_unit_bytes=unit)
        store = Store.format(flash, StoreConfig(buffer_bytes=64, name_bytes=16))
        put(store, "file", bytes(size))
        (victim,) = close_open_blocks(store)
        state = store._volume.state
        while state.blocks.free_count > 1:
            state.segments.advance(0)
        live = state.blocks.live[victim]
        store._volume.cleaner._exchange(victim)
        emptied[state.layout.first + live] = bool(state.blocks.named)
    assert emptied == {end: end <= 768 for end in emptied}, "the last page has room for a statement"
    assert set(emptied.values()) == {False, True}
