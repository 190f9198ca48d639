"""Log heads, block changes and the limits of a block."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.format.codec import ORDER_MAX, TRIES_MAX, UNKNOWN, Kind
from simfs.store.format.runs import RunTable
from simfs.store.log.block_records import record_of_head, seal_of
from simfs.store.log.block_scan import build_runs, counted_frames, read_frames, read_seal, runs_of
from simfs.store.log.heads import Log
from tests.support.on_flash import churn, contents, frames_on, mounted, opening, put


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
    image = store.flash.image()
    assert {opened and opened[2] for opened in (opening(image, 1024, block) for block in static)} == {1}
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
    """`order` has 16 bits: when the other head has written 65535 frames since, the block is left."""
    store = Store.format(NorFlash(16, 4096, 256), StoreConfig(log_heads=2, cleaner="oldest-first"))
    put(store, "static", b"s" * 3000)
    put(store, "more", b"m" * 3000)
    churn(store, 200, size=300)
    log, cleaner = store._volume.state.log, store._volume.cleaner
    waiting = log.heads[1]
    assert waiting is not None
    log.sequence = waiting.base + ORDER_MAX  # as if head 0 had written so many
    assert log.fits(1, Kind.MARK, 0, 0, 0, 0)
    log.append(1, Kind.MARK, 0, 0, 0, b"")
    assert not log.fits(1, Kind.MARK, 0, 0, 0, 0)
    with store.open("churn", "w") as file:
        file.write(b"goes on")
    blocks = store._volume.state.blocks
    cleaner.clean(max(blocks.closed, key=blocks.live.__getitem__))
    assert log.heads[1] is not None
    assert log.heads[1].base > waiting.base
    assert contents(store)["static"] == b"s" * 3000
    assert contents(store) == mounted(store)
    assert store.check() == []


def test_a_block_that_the_other_head_has_left_too_far_behind_can_not_be_abandoned() -> None:
    """The base of the next block says from where on the old one counts: its next order has 16 bits too."""
    store = Store.format(NorFlash(16, 4096, 256), StoreConfig(log_heads=2))
    put(store, "a", b"a")
    state = store._volume.state
    head = state.log.heads[0]
    assert head is not None
    bottom = state.log.sequence
    state.log.sequence = bottom + ORDER_MAX + 1
    image = store.flash.image()
    with pytest.raises(OSError, match="no erase block can be freed"):
        state.segments.abandon(0, bottom)
    assert (state.log.heads[0], store.flash.image()) == (head, image)
    state.log.sequence -= 1
    state.segments.abandon(0, bottom)
    assert mounted(store) == {"a": b"a"}


def test_orders_beyond_16_bits_in_one_block() -> None:
    """A block of 2 MiB takes more frames of 21 bytes than `order` can count; the first frame has order 1."""
    store = Store.format(NorFlash(4, 2 << 20, 256), StoreConfig(level_threshold=0))
    with store.open("counter", "w") as file:
        for number in range(ORDER_MAX + 100):
            file.seek(0)
            file.write(bytes([number % 256]))
            file.flush()
    frames = frames_on(store.flash)
    assert {frame.block for frame in frames} == {0, 1}
    assert sum(frame.block == 0 for frame in frames) == ORDER_MAX
    assert mounted(store) == {"counter": bytes([(ORDER_MAX + 99) % 256])}


def test_a_block_with_few_runs_lists_them_in_its_seal_and_one_with_many_does_not() -> None:
    store = Store.format(NorFlash(8, 4096, 256), StoreConfig(level_threshold=0))
    put(store, "long", bytes(5000))
    for number in range(200):
        put(store, f"n{number % 20}", b"x")
    state = store._volume.state
    listed = {}
    for block in state.blocks.closed:
        sealed = read_seal(state, block)
        assert sealed is not None
        listed[block] = sealed[1]
    assert [len(runs) for runs in listed.values() if runs is not None] == [4]
    assert None in listed.values()
    assert contents(store) == mounted(store)


@pytest.mark.parametrize("settings", [{}, {"packing": "page"}, {"log_heads": 2}])
@pytest.mark.parametrize("limits", [{"program_unit_bytes": 8}, {"program_unit_bytes": 16}, {"page_programs_max": 8}])
def test_the_store_obeys_the_limits_of_flash_in_a_microcontroller(
    limits: dict[str, int], settings: dict[str, object]
) -> None:
    """A strict flash raises when a program unit, or a page, is programmed more often than it allows."""
    flash = NorFlash(14, 2048, 256, **limits)
    store = Store.format(flash, StoreConfig(buffer_bytes=100, name_bytes=16, **settings))  # type: ignore[arg-type]
    random = Random(6)
    for number in range(600):
        name = f"f{random.randrange(8)}"
        grows = store.exists(name) and store.stat(name).size_bytes < 300
        put(store, name, random.randbytes(random.randrange(120)), random.choice("wa") if grows else "w")
        if number % 50 == 49:
            store = Store.mount(flash)
    assert flash.erases > 5
    assert store.check() == []


TWO_HEADS = {"log_heads": 2, "cleaner": "oldest-first"}


@pytest.mark.parametrize("settings", [{}, {"packing": "page", "reserve_blocks": 2}, TWO_HEADS, {"buffer_bytes": 64}])
def test_a_frame_that_plainly_fits_is_what_it_is_after_a_longer_look(
    settings: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Frames of any length, files in turn, holes and block changes between them."""

    def outcome() -> tuple[Any, ...]:
        store = Store.format(NorFlash(14, 1024, 128), StoreConfig(**settings))
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
    store = Store.format(NorFlash(14, 1024, 128), StoreConfig(log_heads=2))
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
            frames = counted_frames(state, read_frames(state, head.block, 1024))
            found = build_runs(frames)
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


def test_freed_blocks_are_erased_for_the_head_that_their_frames_went_to() -> None:
    """It leaves its block first, which closes what the frames were moved to; the other head has to wait for that."""
    for heads in (1, 2):
        settings = StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=heads, cleaner="oldest-first")
        store = Store.format(NorFlash(12, 1024, 128), settings)
        put(store, "static", bytes(700))
        churn(store, 60)
        state = store._volume.state
        assert None not in state.log.heads
        freed = next(block for _, block in state.blocks.ready)
        state.blocks.doubt(freed)
        state.blocks.freed_at[freed] = state.log.sequence
        assert freed not in state.segments.erasable()
        assert [freed in state.segments._freed_for(which) for which in range(heads)] == [False] * (heads - 1) + [True]


def test_a_block_that_bounds_another_is_not_erased_before_it() -> None:
    store = Store.format(NorFlash(12, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    put(store, "a", b"a")
    state = store._volume.state
    head = state.log.heads[0]
    assert head is not None
    state.segments.abandon(0, state.log.sequence)
    following = state.log.heads[0]
    assert following is not None
    put(store, "b", b"b")
    state.segments.advance(0)
    put(store, "c", b"c")
    state.segments.advance(0)
    assert state.segments._in_turn([following.block, head.block]) == [head.block]
    del state.blocks.in_doubt[head.block]
    assert sorted(state.segments._in_turn([following.block, head.block])) == sorted([head.block, following.block])


def test_a_block_left_before_anything_in_it_counted_may_go_first() -> None:
    """The next one takes its place, with the same base and one try more; so however often a recovery is cut, two blocks
    do."""
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    put(store, "a", b"a")
    state = store._volume.state
    log, segments, blocks = state.log, state.segments, state.blocks
    left = log.heads[0]
    assert left is not None
    base, tried = log.sequence, []
    segments.abandon(0, base)
    for tries in range(1, 30):
        head = log.heads[0]
        assert head is not None
        tried.append(head.block)
        log.append(0, Kind.MARK, 0, 0, 0, b"")
        segments.abandon(0, log.sequence - tries % 2)  # the MARK counts, or not
        following = log.heads[0]
        assert following is not None
        assert (blocks.base[following.block], blocks.tries[following.block]) == (base, tries)
        log.append(0, Kind.MARK, 0, 0, 0, b"")
        assert blocks.in_doubt == {left.block: base, head.block: base}
        assert mounted(store) == {"a": b"a"}
        blocks.free(head.block, -1)
        assert segments._in_turn(blocks.freed) == [head.block]
        assert segments.erase(head.block)
    assert len(set(tried)) > 2
    assert left.block not in tried
    put(store, "b", b"b")
    assert mounted(store) == {"a": b"a", "b": b"b"}
    assert store.check() == []


def test_after_255_tries_a_block_has_a_base_of_its_own() -> None:
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    put(store, "a", b"a")
    state = store._volume.state
    base = state.log.sequence
    state.segments.abandon(0, base)
    head = state.log.heads[0]
    assert head is not None
    state.blocks.tries[head.block] = TRIES_MAX
    state.segments.abandon(0, base + 1)
    following = state.log.heads[0]
    assert following is not None
    assert (state.blocks.base[following.block], state.blocks.tries[following.block]) == (base + 1, 0)


def test_a_seal_that_comes_back_in_a_block_left_without_one_vouches_for_nothing() -> None:
    """It was cut without a trace. The base of the next block says from where on nothing counts."""
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    put(store, "a", b"first")
    put(store, "a", b"second")
    state = store._volume.state
    left = state.log.heads[0]
    assert left is not None
    (renewal,) = (frame for frame in frames_on(store.flash) if frame.payload == b"a" and frame.file == 2)
    state.segments.abandon(0, renewal.sequence)
    state.log.append(0, Kind.MARK, 0, 0, 0, b"")
    raw = seal_of(left, state.layout)
    store.flash.program(left.end - len(raw), raw)
    for read_only in (True, False):
        again = Store.mount(NorFlash.from_image(store.flash.image(), block_bytes=1024, page_bytes=128), read_only)
        blocks = again._volume.state.blocks
        assert contents(again) == {"a": b"first"}
        assert blocks.in_doubt == {left.block: renewal.sequence}
        assert [run.file for run in runs_of(again._volume.state, left.block) if run.kind == Kind.DATA] == [1]
        assert again.check() == []


def test_what_a_block_states_of_the_other_head() -> None:
    settings = StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=2, cleaner="oldest-first")
    store = Store.format(NorFlash(12, 1024, 128), settings)
    put(store, "static", bytes(700))
    churn(store, 60)
    segments, log = store._volume.state.segments, store._volume.state.log
    segments.wake(1)
    store.open("last", "w").close()
    other = log.heads[0]
    assert other is not None
    last = frames_on(store.flash)[-1].sequence
    assert last == other.base + other.table.next_order - 1

    def behind(base: int) -> int:
        return record_of_head(segments.record, log, 1, 5, base, 0).behind

    assert [behind(last + more) for more in (1, 2, 65534, 65535, 70000)] == [1, 2, 65534, UNKNOWN, UNKNOWN]
    assert [behind(last - less) for less in (0, 1, 20)] == [0, 0, 0]  # the base has gone back
    other.quiet = True
    assert behind(last + 1) == UNKNOWN
    other.quiet, other.table = False, RunTable()
    assert behind(last + 1) == UNKNOWN
    log.heads[0] = None
    assert behind(last + 1) == UNKNOWN
