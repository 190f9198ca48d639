"""Appends that go together, against the same appends one by one in a second store: the same image, counts and sums, and
as many at once as the open block holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash.faults import FaultHooks
from simfs.store.batch.appends import Stretch
from simfs.store.format.codec import LENGTH_MAX, ORDER_MAX, SIZE_MAX
from simfs.store.format.layout import Placed
from tests.support.on_flash import put

SIZES: dict[str, Any] = {"block_count": 12, "block_bytes": 2048, "page_bytes": 128}
KINDS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "bytes": ({}, {}),
    "units of 8": ({"program_unit_bytes": 8}, {}),
    "pages": ({"block_bytes": 4096}, {"packing": "page"}),
    "no levelling": ({}, {"level_threshold": 0}),
    "two heads": ({}, {"log_heads": 2}),
    "idle cleaning": ({}, {"idle_cleaning": True}),
}


class Twins:
    """Two stores with one history; `many` may do appends together, `single` does each by itself."""

    def __init__(self, kind: str = "bytes", sizes: dict[str, Any] | None = None, **settings: Any) -> None:
        flash, config = KINDS[kind]
        flash, settings = {**SIZES, **flash, **(sizes or {})}, {"name_bytes": 16, **config, **settings}
        self.many = Store.format(NorFlash(**flash), StoreConfig(**settings))
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

    def assert_same(self) -> None:
        told = []
        for store in self.both:
            state = store._volume.state
            heads = [head and (head.at, head.room_end, head.table.next_order) for head in state.log.heads]
            runs = [head and [run.encode(head.start) for run in head.table.runs] for head in state.log.heads]
            blocks = state.blocks
            spans = {name: (node.size, node.starts, node.places) for name, node in state.files.items()}
            sums = (state.log.sequence, state.log.logged_bytes, state.committed, blocks.written_at, blocks.freed_at)
            listed = (
                store.blocks(),
                store.erase_counts,
                list(blocks.named),
                state.segments.ready,
                sorted(blocks.freed),
                store.usage(),
            )
            told.append(
                (
                    store.flash.counts,
                    store.meters,
                    heads,
                    runs,
                    spans,
                    *sums,
                    *listed,
                    store.check(),
                    store.flash.image(),
                )
            )
        for many, single in zip(*told, strict=True):
            assert many == single

    def together(self, name: str, lengths: Sequence[int], place: Callable[[Stretch], Placed | None]) -> int:
        """As many of these as go together; how many. They come out as one by one, and so does what is noted of them."""
        stretch = self.stretch(name)
        placed = place(stretch)
        if placed is None:
            return 0
        lengths = lengths[: placed.frame_count]
        payloads = self.payloads(list(lengths))
        live_bytes = stretch.append(placed, lengths, lambda: payloads)
        notes = [(placed.programs_of(index), live_bytes[index]) for index in range(len(lengths))]
        assert notes == self.noted_singly(name, payloads)
        assert all(placed.programs_of(index) <= stretch.programs_max(length) for index, length in enumerate(lengths))
        self.assert_same()
        return len(lengths)

    def append(self, name: str, length: int, most: int = 1000) -> int:
        """As many of this length as go together, at most so many; how many."""
        return self.together(name, [length] * most, lambda stretch: stretch.alike(length, most))

    def append_one(self, name: str, length: int) -> None:
        """One that goes by itself."""
        (payload,) = self.payloads([length])
        for store in self.both:
            put(store, name, payload, "a")
        self.assert_same()

    def noted_singly(self, name: str, payloads: list[bytes]) -> list[tuple[int, int]]:
        """Programs of each, and the store's live bytes after it."""
        flash, state, notes = self.single.flash, self.single._volume.state, []
        for payload in payloads:
            programs = flash.programs
            put(self.single, name, payload, "a")
            notes.append((flash.programs - programs, state.committed))
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
    twins.idle()
    block = twins.open_block()
    assert twins.append("log", length) >= 10
    assert twins.open_block() == block
    assert twins.append("log", length) == 0
    while twins.open_block() == block:
        twins.append_one("log", length)


def work(twins: Twins, rounds: int, length: int) -> int:
    """Files that grow and are removed again, over several rounds of the flash; how many appends went together."""
    done = 0
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
        done += twins.append(name, length, 5 if number % 4 == 0 else 1000)
        twins.idle()
        twins.append_one(name, length)
    return done


@pytest.mark.parametrize("length", [39, 60])  # a block ends with the last frame of 39 bytes, nothing is left over
@pytest.mark.parametrize("kind", KINDS)
def test_appends_go_together_over_several_rounds_of_the_flash(kind: str, length: int) -> None:
    twins = Twins(kind, buffer_bytes=64)
    assert work(twins, 60, length) > 500
    assert twins.many.meters.cleanings > 5


def test_appends_that_go_together_may_begin_a_run() -> None:
    """Behind what another file got, and behind the name of their own."""
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"")
    assert twins.append("log", 5, 3) == 3
    for store in twins.both:
        put(store, "other", b"between")
    assert twins.append("log", 5, 3) == 3
    for change in (-2, +9):
        for store in twins.both:
            store.truncate("log", store.stat("log").size_bytes + change)
        assert twins.append("log", 7, 3) == 3


def test_where_appends_go_one_by_one() -> None:
    """On a flash that is asked about each program, or counts those of a page; while one waits; read-only; after a
    mount, whose first frame is more than an append."""
    faulty = Store.format(NorFlash(**SIZES, faults=FaultHooks()))
    limited = Store.format(NorFlash(**SIZES, page_programs_max=8))
    free = Store.format(NorFlash(**SIZES))
    for store in (faulty, limited, free):
        put(store, "log", b"begins")
    assert [store.stretch("log") is None for store in (faulty, limited, free)] == [True, True, False]
    assert free.stretch("another") is None
    with free.open("log", "a") as file:
        file.write(b"waits")
        assert free.stretch("log") is None
    assert free.stretch("log") is not None
    assert Store.mount(free.flash, read_only=True).stretch("log") is None
    assert Store.mount(free.flash).stretch("log") is None


def test_a_store_that_has_to_clean_ahead_first_takes_no_appends_together() -> None:
    twins = Twins("idle cleaning", buffer_bytes=64)
    for number in range(30):
        for store in twins.both:
            put(store, "log", bytes([number]) * 500)
    assert twins.many.stretch("log") is None
    twins.idle()
    assert twins.many.stretch("log") is not None


def test_what_one_record_may_hold() -> None:
    """Less than a buffer, so that it is one frame."""
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    stretch = twins.stretch("log")
    assert [stretch.alike(length, 9) is None for length in (0, 1, 63, 64)] == [True, False, False, True]
    assert [stretch.count_of(length) > 1 for length in (1, 63, 64)] == [True, True, False]
    for length in (0, 64):
        assert stretch.of([length]) is None
        placed = stretch.of([5, 6, length, 7])
        assert placed is not None
        assert placed.frame_count == 2


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
    varying = twins.stretch("log").of([3] * 5)
    assert varying is not None
    assert varying.frame_count == 3
    placed = twins.stretch("log").alike(3, 5)
    assert placed == varying
    assert placed is not None
    twins.stretch("log").append(placed, [3] * 3, lambda: [b"123"] * 3)
    assert twins.stretch("log").alike(3, 1) is None
    head = twins.many._volume.state.log.heads[0]
    assert head is not None
    assert twins.many._volume.state.log.sequence - head.base == ORDER_MAX + 1


def test_a_run_ends_a_stretch_before_its_length_has_more_than_16_bits() -> None:
    """Frames count with what they are longer than their payloads, so it ends a little early."""
    twins = Twins(sizes={"block_count": 6, "block_bytes": 1 << 18, "page_bytes": 256}, buffer_bytes=32768)
    for store in twins.both:
        put(store, "log", b"begins")
    length = (LENGTH_MAX - 6) // 3
    assert twins.append("log", length) == 2
    assert twins.append("log", length) == 0
    twins.append_one("log", length)
    assert twins.append("log", length) == 0
    twins.append_one("log", length)
    assert twins.append("log", length) == 1


def test_a_file_ends_a_stretch_at_its_greatest_size() -> None:
    twins = Twins(buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
        store.truncate("log", SIZE_MAX - 150)
        put(store, "log", bytes(10), "a")
    assert [twins.append("log", 30) for _ in range(4)] == [2, 1, 1, 0]


@pytest.mark.parametrize("kind", KINDS)
def test_lengths_that_differ_go_together_too(kind: str) -> None:
    twins = Twins(kind, buffer_bytes=64)
    for store in twins.both:
        put(store, "log", b"begins")
    for _ in range(3):
        twins.idle()
        block, lengths = twins.open_block(), [1 + twins.random.randrange(63) for _ in range(100)]
        assert twins.stretch("log").takes_any()
        done = twins.together("log", lengths, lambda stretch, lengths=lengths: stretch.of(lengths))  # type: ignore[misc]
        assert done >= 10
        assert twins.open_block() == block
        while twins.open_block() == block:
            twins.append_one("log", 63)


@pytest.mark.parametrize("kind", ["bytes", "units of 8", "pages"])
@pytest.mark.parametrize("lengths", [[40] * 12, [40, 41] * 6])
def test_what_went_together_is_read_as_what_went_one_by_one(kind: str, lengths: list[int]) -> None:
    """Of one length without making the frames."""
    twins = Twins(kind)
    for store in twins.both:
        put(store, "log", b"begins")
    payloads = twins.payloads(lengths)
    placed = (stretch := twins.stretch("log")).of(lengths)
    assert placed is not None
    assert placed.frame_count == len(lengths)
    stretch.append(placed, lengths, lambda: payloads)
    twins.noted_singly("log", payloads)
    late = twins.many.flash._late
    assert late
    for begin, size in ((300, 1), (1, 100), (46, 41), (0, 1000), (280, 100)):
        read = []
        for store in twins.both:
            with store.open("log") as file:
                file.seek(begin)
                read.append((file.read(size), store.flash.counts))
        assert read[0] == read[1]
    assert bool(late) == (lengths[0] == lengths[1])
    twins.assert_same()


def test_a_full_store_ends_a_stretch() -> None:
    """One after the other it may take a few more: what they cost is known before each only."""
    twins = Twins(buffer_bytes=64, sizes={"block_count": 7})
    for store in twins.both:
        put(store, "log", b"begins")
    total = twins.append("log", 20)
    while twins.many.usage().live_bytes + 100 < twins.many.usage().capacity_bytes:
        twins.append_one("log", 20)
        total += twins.append("log", 20)
    assert total > 50
    assert twins.append("log", 20) == 0
    assert twins.stretch("log").of([20]) is None
    assert not twins.stretch("log").takes_any()


def test_names_that_are_cut_are_counted_one_by_one() -> None:
    twins = Twins(buffer_bytes=64, overlong="cut", fold_case=True)
    name = "/A/long/name/of/a/log"
    for store in twins.both:
        put(store, name, b"begins")
    assert twins.append(name, 20, 12) == 12
    assert twins.append("/a/LONG/name/of", 3, 2) == 2  # as it is kept
    assert twins.many.meters.names_cut > 10
