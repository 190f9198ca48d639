"""Appends that go together, against the same appends one by one in a second store: the same image, counts and sums, and
as many at once as the open block holds."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash.late import LateFlash
from simfs.store.batch.appends import Stretch
from simfs.store.format.codec import ENTRY_BYTES, ORDER_MAX, SEAL_BYTES, SIZE_MAX
from tests.support.on_flash import put

SIZES: dict[str, Any] = {"block_count": 12, "block_bytes": 2048, "page_bytes": 128}
KINDS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "bytes": ({}, {}),
    "units of 8": ({"program_unit_bytes": 8}, {}),
    "pages": ({}, {"packing": "page"}),
    "no levelling": ({}, {"level_threshold": 0}),
    "two heads": ({}, {"log_heads": 2}),
    "idle cleaning": ({}, {"idle_cleaning": True}),
}


class Twins:
    """Two stores with one history; `many` may do appends together, `single` does each by itself."""

    def __init__(self, kind: str = "bytes", sizes: dict[str, Any] | None = None, **settings: Any) -> None:
        flash, config = KINDS[kind]
        flash, settings = {**SIZES, **flash, **(sizes or {})}, {"name_bytes": 16, **config, **settings}
        self.many = Store.format(LateFlash(**flash), StoreConfig(**settings))
        self.single = Store.format(NorFlash(**flash), StoreConfig(**settings))
        self.random = Random(3)

    @property
    def both(self) -> tuple[Store, Store]:
        return self.many, self.single

    def stretch(self, name: str) -> Stretch:
        stretch = self.many.stretch(name)
        assert stretch is not None
        return stretch

    def idle(self) -> None:
        """Clean ahead, so that idle time changes nothing."""
        for store in self.both:
            store.idle(10**12)

    def payloads(self, lengths: list[int]) -> list[bytes]:
        return [self.random.randbytes(length) for length in lengths]

    def singly(self, name: str, payloads: list[bytes]) -> None:
        for payload in payloads:
            put(self.single, name, payload, "a")

    def assert_same(self) -> None:
        told = []
        for store in self.both:
            state = store._volume.state
            heads = [head and (head.at, head.room_end, head.table.next_order) for head in state.log.heads]
            runs = [head and [run.encode(head.start) for run in head.table.runs] for head in state.log.heads]
            blocks = state.blocks
            spans = {name: (node.size, node.starts, node.places) for name, node in state.files.items()}
            sums = (state.log.sequence, state.log.logged_bytes, state.committed, blocks.written_at, blocks.freed_at)
            listed = (store.blocks(), store.erase_counts, list(blocks.ready), sorted(blocks.freed), store.usage())
            told.append((store.flash.counts, store.meters, heads, runs, spans, *sums, *listed, store.check()))
            told[-1] += (store.flash.image(),)
        for many, single in zip(*told, strict=True):
            assert many == single

    def append(self, name: str, length: int) -> int:
        """As many of this length as go together; how many."""
        stretch = self.stretch(name)
        count = stretch.fit(length) if stretch.take_up() else 0
        if count:
            payloads = self.payloads([length] * count)
            stretch.append([length] * count, stretch.alike(length, count), lambda: payloads)
            self.singly(name, payloads)
            self.assert_same()
        return count

    def append_one(self, name: str, length: int) -> None:
        stretch = self.stretch(name)
        assert stretch.takes_one(length)
        payloads = self.payloads([length])
        stretch.append_one(length, lambda: payloads)
        self.singly(name, payloads)
        self.assert_same()

    def fill(self, name: str, length: int, most: int = 1000) -> int:
        """Append as many as go together, at most so many, over changes of blocks; how many."""
        drawn: list[bytes] = []

        def draw(first: int, count: int) -> Callable[[], list[bytes]]:
            assert first == len(drawn)
            drawn.extend(self.payloads([length] * count))
            return lambda: drawn[first : first + count]

        filled = self.stretch(name).evenly(length, most, lambda _: True, lambda: True, draw)
        assert len(drawn) <= most
        sheet, notes = self.many.flash.datasheet, []
        for one in filled:
            for which, programs in enumerate(one.programs.each):
                turned = one.turn.programs if one.turn is not None and not which else 0
                cleanings = one.turn.cleanings if one.turn is not None and not which else 0
                notes.append((programs + turned, one.took_ns(which, sheet), one.live_bytes_after(which), cleanings))
            assert one.live_bytes == notes[-1][2]
        assert notes == self.noted_singly(name, drawn)
        self.assert_same()
        return len(drawn)

    def noted_singly(self, name: str, payloads: list[bytes]) -> list[tuple[int, int, int, int]]:
        """Programs, time in ns, the store's live bytes after it, and cleanings of each."""
        flash, state, notes = self.single.flash, self.single._volume.state, []
        for payload in payloads:
            before, cleanings = flash.counts, state.meters.cleanings
            put(self.single, name, payload, "a")
            took = flash.counts - before
            took_ns = took.busy_ns(flash.datasheet) + took.read_ns(flash.datasheet)
            notes.append((took.programs, took_ns, state.committed, state.meters.cleanings - cleanings))
        return notes

    def open_block(self) -> int:
        head = self.many._volume.state.log.heads[0]
        assert head is not None
        return head.block


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("length", [1, 44, 45, 60])
def test_as_many_go_together_as_the_block_holds(kind: str, length: int) -> None:
    twins = Twins(kind, buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    block = twins.open_block()
    assert twins.append("log", length) >= 10
    assert twins.open_block() == block
    assert twins.append("log", length) == 0
    twins.append_one("log", length)
    assert twins.open_block() != block


def work(twins: Twins, rounds: int, length: int) -> int:
    """Files that grow and are removed again, over several rounds of the flash; how many blocks were filled at once."""
    filled = 0
    for number in range(rounds):
        name = f"log{number // 3}"
        if number % 3 == 0:
            for store in twins.both:
                put(store, name, b"")
                if number >= 6:
                    store.remove(f"log{number // 3 - 2}")
                if number % 9 == 0:
                    store.truncate(name, 50)  # a HOLE
        twins.idle()
        if not twins.append(name, length):
            twins.idle()
            count = twins.fill(name, length, most=1000 if number % 4 else 5)
            filled += count > 0
            if not count:
                twins.append_one(name, length)
    return filled


@pytest.mark.parametrize("kind", ["bytes", "units of 8", "pages", "no levelling"])
def test_appends_go_on_over_several_blocks(kind: str) -> None:
    twins = Twins(kind, buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    first = twins.open_block()
    assert [twins.fill("log", 40, most) for most in (1, 2, 50)] == [1, 2, 50]
    assert twins.open_block() != first


@pytest.mark.parametrize("length", [39, 60])  # a block ends with the last frame of 39 bytes, nothing is left over
@pytest.mark.parametrize("kind", KINDS)
def test_whole_blocks_are_filled_at_once(kind: str, length: int) -> None:
    twins = Twins(kind, buffer_bytes=64)
    filled = work(twins, 45, length)
    assert filled == 0 if kind in ("two heads", "idle cleaning") else filled > 5
    assert twins.many.meters.cleanings > 5


def test_a_ready_block_that_is_not_blank_is_erased_first() -> None:
    """As where a cell has rotted since its erase."""
    twins = Twins(buffer_bytes=64)
    image = bytearray(twins.many.flash.image())
    rotten = [block for _, block in twins.many._volume.state.blocks.ready]
    for block in rotten:
        image[block * 2048 + 1000] = 0
    twins.many = Store.mount(LateFlash.from_image(image, block_bytes=2048, page_bytes=128))
    twins.single = Store.mount(NorFlash.from_image(image, block_bytes=2048, page_bytes=128))
    assert work(twins, 45, 60) > 5
    assert all(twins.many.erase_counts[block] for block in rotten)


def test_two_blocks_are_enough() -> None:
    twins = Twins(buffer_bytes=512, reserve_blocks=1, sizes={"block_count": 2, "block_bytes": 4096, "page_bytes": 256})
    for number in range(30):
        for store in twins.both:
            put(store, "log", bytes([number]) * 500, "r+" if number else "w")
        twins.assert_same()
    assert min(twins.many.erase_counts) > 0


def test_blocks_that_are_filled_to_the_seal_list_no_runs() -> None:
    """With no block to spare, frames take the room of the run entries; some blocks end within a few bytes of it."""
    twins = Twins(buffer_bytes=512, reserve_blocks=1, sizes={"block_count": 3, "block_bytes": 4096, "page_bytes": 256})
    for number in range(400):
        data = twins.random.randbytes(twins.random.randrange(1, 512))
        for store in twins.both:
            put(store, "log", data, "r+" if number else "w")
        if number % 20 == 0:
            twins.assert_same()
    twins.assert_same()


def test_a_block_is_turned_over_only_where_its_run_entries_and_its_seal_have_room() -> None:
    store = Twins().many
    put(store, "log", b"begins")
    state = store._volume.state
    turns, head = state.segments.turns, state.log.heads[0]
    assert turns is not None
    assert head is not None
    head.at = head.end - SEAL_BYTES - ENTRY_BYTES * len(head.table.runs)
    assert turns.can_advance()
    head.at += 1
    assert not turns.can_advance()


def test_one_more_fits_where_no_run_has_to_be_listed_for_it() -> None:
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    log, block = twins.many._volume.state.log, twins.open_block()
    while log.plainly_fits(1):
        twins.append_one("log", 1)
    assert not twins.stretch("log").in_next_block(1).total
    twins.append_one("log", 1)
    assert twins.open_block() == block
    assert twins.stretch("log").in_next_block(1).total
    twins.append_one("log", 1)
    assert twins.open_block() != block


def test_an_append_that_finds_no_block_waits_in_its_buffer() -> None:
    """As if blocks had been lost that the capacity still counts."""
    twins = Twins(buffer_bytes=64)
    payload = b"p" * 60
    for store in twins.both:
        put(store, "log", b"begins")
        blocks = store._volume.state.blocks
        for block in [block for _, block in blocks.ready]:
            blocks.retire(block)
        blocks.capacity = 10_000
    while twins.append("log", 60):
        pass
    stretch = twins.stretch("log")
    with pytest.raises(OSError, match="the store is read-only"):
        stretch.append_one(60, lambda: [payload])
    with pytest.raises(OSError, match="the store is read-only"):
        twins.singly("log", [payload])
    told = []
    for store in twins.both:
        node = store._volume.lookup(b"log")
        assert node is not None
        told.append((node.buffer, node.buffer_at, node.reserved, node.size, store._volume.state.reserved, store.meters))
    assert told[0] == told[1]
    assert told[0][0] == payload


def test_what_one_record_may_hold() -> None:
    """Less than a buffer, so that it is one frame."""
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    stretch = twins.stretch("log")
    assert stretch.take_up()
    assert [stretch.fit(length) > 0 for length in (0, 1, 63, 64)] == [False, True, True, False]
    assert [stretch.takes_one(length) for length in (0, 1, 63, 64)] == [False, True, True, False]
    assert not stretch.in_next_block(0).total
    assert not stretch.in_next_block(1).total  # one more fits this block


def test_where_appends_go_one_by_one() -> None:
    """On a flash that makes no bytes late, or counts the programs of a page; while one waits; read-only."""
    plain = Store.format(NorFlash(**SIZES))
    limited = Store.format(LateFlash(**SIZES, page_programs_max=8))
    late = Store.format(LateFlash(**SIZES))
    for store in (plain, limited, late):
        put(store, "log", b"begins")
    assert [store.stretch("log") is None for store in (plain, limited, late)] == [True, True, False]
    with late.open("log", "a") as file:
        file.write(b"waits")
        assert late.stretch("log") is None
    assert Store.mount(late.flash, read_only=True).stretch("log") is None


def test_only_the_newest_run_goes_on() -> None:
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"")
    assert not twins.stretch("log").take_up()
    for store in twins.both:
        put(store, "log", b"0123456789", "a")
    for store in twins.both:
        put(store, "other", b"between")
    assert twins.append("log", 5) > 1
    changes: list[Any] = [
        lambda store: store.truncate("log", store.stat("log").size_bytes - 2),
        lambda store: store.truncate("log", store.stat("log").size_bytes + 9),
    ]
    for change in changes:
        for store in twins.both:
            change(store)
        twins.append_one("log", 7)
        assert twins.stretch("log").take_up()
        for store in twins.both:
            change(store)
        assert not twins.stretch("log").take_up()
        twins.append_one("log", 7)


def test_orders_end_a_stretch() -> None:
    """As if the block had nearly as many frames as `order` counts."""
    twins = Twins()
    for store in twins.both:
        put(store, "log", b"begins")
        log = store._volume.state.log
        head = log.heads[0]
        assert head is not None
        more = ORDER_MAX - 2 - head.table.next_order
        log.sequence += more
        head.table.next_order += more
    stretch = twins.stretch("log")
    assert stretch.take_up()
    assert stretch.fit(3) == 3
    filling = stretch.filling()
    assert [filling.add(3, lambda programs: True) > 0 for _ in range(4)] == [True, True, True, False]
    payloads = twins.payloads([3] * 3)
    stretch.append([3] * 3, stretch.alike(3, 3), lambda: payloads)
    assert not stretch.take_up() or not stretch.fit(3)
    assert twins.many._volume.state.log.sequence - head.base == ORDER_MAX + 1


def test_a_run_ends_a_stretch_before_its_length_has_more_than_16_bits() -> None:
    twins = Twins(sizes={"block_count": 6, "block_bytes": 1 << 18, "page_bytes": 256}, buffer_bytes=32768)
    for store in twins.both:
        put(store, "log", b"begins")
    length = (ORDER_MAX - 6) // 3
    assert twins.append("log", length) == 3
    assert twins.append("log", length) == 0
    twins.append_one("log", length)
    assert twins.append("log", length) == 2
    filling = twins.stretch("log").filling()
    assert filling.add(length, lambda programs: True) == 0


def test_a_file_ends_a_stretch_at_its_greatest_size() -> None:
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
        store.truncate("log", SIZE_MAX - 100)
        put(store, "log", bytes(10), "a")
    assert twins.append("log", 30) == 3
    stretch = twins.stretch("log")
    assert not stretch.takes_one(1)
    assert not stretch.takes_one(30)


@pytest.mark.parametrize("kind", KINDS)
def test_lengths_that_differ_go_together_too(kind: str) -> None:
    twins = Twins(kind, buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    for _ in range(3):
        stretch = twins.stretch("log")
        assert stretch.take_up()
        assert stretch.has_room_for_all()
        lengths, filling, each = [], stretch.filling(), []
        while True:
            length = 1 + twins.random.randrange(63)
            programs = filling.add(length, lambda programs: True)
            if not programs:
                break
            lengths.append(length)
            each.append(programs)
        assert filling.lengths == lengths
        found = filling.programs()
        assert (found.each, found.total, found.most) == (tuple(each), sum(each), max(each))
        for alike, of in ((found.alike, each), (found.alike_later, each[1:])):
            assert alike == tuple((value, of.count(value)) for value in sorted(set(of)))
        block, payloads = twins.open_block(), twins.payloads(lengths)
        before = twins.many.flash.programs
        stretch.append(lengths, filling.programs(), lambda payloads=payloads: payloads)
        assert twins.many.flash.programs - before == sum(each)
        twins.singly("log", payloads)
        twins.assert_same()
        twins.append_one("log", length)  # the one that did not fit
        assert twins.open_block() != block


def test_what_is_not_usual_is_left_to_be_done_by_itself() -> None:
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    stretch = twins.stretch("log")
    assert stretch.take_up()
    filling = stretch.filling()
    asked: list[int] = []
    assert filling.add(5, lambda programs: asked.append(programs) is not None) == 0
    assert asked == [1]
    assert filling.lengths == []
    assert filling.add(5, lambda programs: True) == 1
    image = twins.many.flash.image()
    for is_usual, goes_on in ((False, True), (False, False)):
        assert stretch.evenly(5, 9, lambda _, usual=is_usual: usual, lambda on=goes_on: on, lambda *_: list) == []
    assert twins.many.flash.image() == image


def test_a_full_store_ends_a_stretch() -> None:
    twins = Twins(buffer_bytes=64, sizes={"block_count": 5})
    total = 0
    for store in twins.both:
        put(store, "log", b"begins")
    while twins.stretch("log").takes_one(20):
        done = twins.append("log", 20) or twins.fill("log", 20)
        if not done:
            twins.append_one("log", 20)
        total += done
    assert total > 50
    assert twins.append("log", 20) == twins.fill("log", 20) == 0
    with pytest.raises(OSError, match="No space left"):
        put(twins.single, "log", bytes(20), "a")


def test_a_head_that_sleeps_is_woken_by_a_plain_append() -> None:
    """After a mount the first append is more than to go on."""
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    twins.many = Store.mount(LateFlash.from_image(twins.many.flash.image(), block_bytes=2048, page_bytes=128))
    twins.single = Store.mount(NorFlash.from_image(twins.single.flash.image(), block_bytes=2048, page_bytes=128))
    assert not twins.stretch("log").take_up()
    assert twins.fill("log", 20) == 0
    twins.append_one("log", 20)
    assert twins.append("log", 20) > 10
