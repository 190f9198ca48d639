"""Blocks that fail: what lives in them moves out, they are never used again, and the store shrinks until it is
read-only. Nothing acknowledged is lost on the way."""

from __future__ import annotations

import errno
from collections.abc import Callable
from typing import Any

import pytest

from simfs import CorruptStore, NorFlash, PowerCut, Store, StoreConfig
from simfs.flash import Change, Cut, Error, Faults, FlashError, Plan, Weibull, Worn
from simfs.store.format.codec import Kind
from simfs.store.format.layout import Layout
from simfs.store.tables.blocks import State
from tests.support.on_flash import churn, contents, flash_of, frames_on, mounted, put, worked_store

BLOCKS, SIZE = 10, 512
CONFIGS: dict[str, dict[str, Any]] = {
    "bytes": {"buffer_bytes": 32},
    "two heads": {"buffer_bytes": 32, "log_heads": 2},
    "pages": {"packing": "page"},
}
Contents = dict[str, bytes]


def size_of(config: str) -> int:
    """Bytes of a block: a statement takes four pages of their own where frames have pages."""
    return 2 * SIZE if config == "pages" else SIZE


class Watched(Plan):
    """A plan that notes which changes are asked of the chip, and how many of them failed."""

    def __init__(self, faults: Faults) -> None:
        super().__init__(faults)
        self.changes: list[Change] = []
        self.failed = 0

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._ask(lambda: super(Watched, self).before_program(cells, address, data), Change(address, bytes(data)))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._ask(lambda: super(Watched, self).before_erase(cells, address, length), Change(address, None))

    def _ask(self, operation: Callable[[], None], change: Change) -> None:
        self.changes.append(change)
        try:
            operation()
        except FlashError:
            self.failed += 1
            raise


def formatted(
    config: str, *errors: Error, worn: Worn | None = None, cuts: tuple[Cut, ...] = (), seed: int = 3
) -> Store:
    plan = Watched(Faults(seed=seed, errors=errors, worn=worn, cuts=cuts))
    flash = NorFlash(BLOCKS, size_of(config), 64, faults=plan)
    return Store.format(flash, StoreConfig(name_bytes=12, **CONFIGS[config]))


def watched(store: Store) -> Watched:
    plan = store.flash._faults
    assert isinstance(plan, Watched)
    return plan


Step = tuple[str, str, bytes]  # name, mode, data: a file's open, write and close


def steps(rounds: int = 40) -> list[Step]:
    """Files that stay, and one that is written over and over."""
    found: list[Step] = [("keep", "w", bytes(range(60))), ("other", "w", b"o" * 30)]
    for number in range(rounds):
        found.append(("churn", "w", bytes([number]) * 70))
        if number % 10 == 9:
            found.append(("other", "a", bytes([number]) * 5))
    return found


def work(store: Store, todo: list[Step], expected: Contents | None = None) -> Contents:
    """What is acknowledged in the end; nothing of the file that is in work when an error comes."""
    expected = {} if expected is None else expected
    for name, mode, data in todo:
        old = expected.pop(name, b"")
        put(store, name, data, mode)
        expected[name] = data if mode == "w" else old + data
    return expected


def states(store: Store) -> list[str]:
    return [block.state for block in store.blocks()]


def bad_on(flash: NorFlash) -> set[int]:
    """The blocks that frames on the flash call bad."""
    return {frame.file for frame in frames_on(flash) if frame.kind == Kind.BAD}


def block_capacity(config: str) -> int:
    """What one block adds to the capacity."""
    store = formatted(config)
    return store._volume.state.layout.block_room


# -- a failure at each thing that a block takes

# operation, and where in its block its last byte stands
PLACES: dict[str, tuple[str, Callable[[Layout, int], bool]]] = {
    "statement": ("program", lambda _, last: last == 63),
    "end of a statement": ("program", lambda layout, last: last == layout.place(0, 0).next),
    "first frame": ("program", lambda layout, last: layout.first <= last < layout.first + 100),
    "later frame": ("program", lambda layout, last: 250 < last < layout.seal_at - 100),
    "mark before the seal": ("program", lambda layout, last: last == layout.sealing_at),
    "seal": ("program", lambda layout, last: last == layout.seal_end - 1),
    "mark of a block left": ("program", lambda layout, last: last == layout.left_at),
    "erase": ("erase", lambda *_: True),
}
LEAVES = {"program": ("nothing", "bits half", "all"), "erase": ("nothing", "rising most", "weak", "all")}


def error_at(config: str, place: str, leaves: str, from_change: int = 60) -> Error:
    """The error that lets the first such operation fail that comes late enough for files to stand, and all that
    follow on its block."""
    operation, matches = PLACES[place]
    store = formatted(config)
    work(store, steps())
    layout = store._volume.state.layout
    counts: dict[int, int] = {}
    for number, change in enumerate(watched(store).changes):
        block, at = divmod(change.address, size_of(config))
        if (operation == "erase") != (change.data is None):
            continue
        if number >= from_change and matches(layout, at + len(change.data or "?") - 1):
            return Error(operation, counts.get(block, 0), block, for_ever=True, leaves=leaves)
        counts[block] = counts.get(block, 0) + 1
    raise AssertionError(f"no {place} is ever written")


CASES = [
    (config, place, leaves)
    for config in CONFIGS
    for place, (operation, _) in PLACES.items()
    for leaves in (LEAVES[operation] if config == "bytes" else ("nothing", "all"))
]


def assert_left_alone(store: Store, block: int) -> None:
    """Much is written, and nothing in this block."""
    before = len(watched(store).changes)
    churn(store, 30, size=70)
    size = store.flash.geometry.block_bytes
    used = {change.address // size for change in watched(store).changes[before:]}
    assert len(used) > 2
    assert block not in used


@pytest.mark.parametrize(("config", "place", "leaves"), CASES)
def test_a_block_that_fails_is_moved_out_of_and_never_used_again(config: str, place: str, leaves: str) -> None:
    error = error_at(config, place, leaves)
    block = error.block
    assert block is not None
    store = formatted(config, error)
    capacity = store.usage().capacity_bytes
    expected = work(store, steps())
    assert contents(store) == expected
    assert [number for number, state in enumerate(states(store)) if state == "bad"] == [block]
    assert store.usage().capacity_bytes == capacity - block_capacity(config)
    assert store.check() == []
    assert_left_alone(store, block)
    assert bad_on(store.flash) == {block}
    expected["churn"] = bytes([29]) * 70
    assert contents(store) == mounted(store) == expected

    again = Store.mount(store.flash)
    assert contents(again) == expected
    assert states(again)[block] == "bad"
    assert again.usage().capacity_bytes == capacity - block_capacity(config)
    assert_left_alone(again, block)
    assert bad_on(store.flash) == {block}
    assert again.check() == []


@pytest.mark.parametrize(("config", "place", "leaves"), CASES)
def test_a_mount_before_the_bad_frame_finds_the_same_files(config: str, place: str, leaves: str) -> None:
    """The store is dropped right after the failure, with the block neither moved out of nor noted."""
    store = formatted(config, error_at(config, place, leaves))
    todo, expected = steps(), {}
    while not watched(store).failed:
        expected = work(store, [todo.pop(0)], expected)
    assert mounted(store) == expected
    again = Store.mount(store.flash)
    assert contents(again) == expected
    assert again.check() == []
    expected = work(again, todo, expected)
    assert contents(again) == mounted(again) == expected
    assert again.check() == []


def test_what_a_bad_block_held_never_comes_back() -> None:
    """Its names go with it, though they can still be read, and so do the tombstones that held them down."""
    store = formatted("bytes")
    put(store, "gone", b"?")
    store.remove("gone")
    churn(store, 3, size=70)
    state = store._volume.state
    block = next(frame.block for frame in frames_on(store.flash) if frame.payload == b"gone")
    assert state.blocks.state[block] == State.CLOSED
    store._volume.cleaner.clean(block)
    state.segments.retire(block)
    assert b"gone" not in state.claims.bearers
    assert contents(store) == mounted(store), "the tombstone stands until a statement tells that the block is bad"
    state.segments.advance(0)
    assert bad_on(store.flash) == {block}
    churn(store, 40, size=70)
    assert contents(store) == mounted(store)
    assert store.check() == []


# -- bits that stay, a flash that dies, a format


@pytest.mark.parametrize("config", CONFIGS)
def test_a_block_with_stuck_bits_is_retired_at_its_first_bad_erase(config: str) -> None:
    """The chip reports success; only reading back shows that the block is not blank."""
    limits = tuple((block, 1) for block in (1, 4))
    store = formatted(config, worn=Worn(limits, stuck_erases=100))
    expected = work(store, steps(5))
    while states(store).count("bad") < 2 and store.meters.erases < 200:
        work(store, [("churn", "w", b"0" * 70)], expected)
    churn(store, 20, "churn", 70)
    expected["churn"] = bytes([19]) * 70
    assert [number for number, state in enumerate(states(store)) if state == "bad"] == [1, 4]
    assert watched(store).failed == 0
    assert [store.flash.erase_counts[block] for block in (1, 4)] == [2, 2]
    assert bad_on(store.flash) == {1, 4}
    assert contents(store) == mounted(store) == expected
    assert store.check() == []


def write_on(store: Store, expected: Contents) -> OSError:
    """Write until the store refuses. `expected` is what was acknowledged; the file that is being written when that
    happens may hold any part of what it was to hold."""
    for number in range(5_000):
        before = expected.pop("churn", None)
        data = bytes([number % 256]) * 70
        try:
            put(store, "churn", data)
        except OSError as error:
            left = contents(store).get("churn")
            assert left in (before, *(data[:length] for length in range(71))), left
            return error
        expected["churn"] = data
    raise AssertionError("the store never refused")


CHANGES: list[Callable[[Store], object]] = [
    lambda store: put(store, "new", b""),
    lambda store: put(store, store.names()[0], b"?", "a"),
    lambda store: store.remove(store.names()[0]),
    lambda store: store.rename(store.names()[0], "kept"),
    lambda store: store.truncate(store.names()[0], 3),
]


def assert_read_only(store: Store, expected: Contents) -> None:
    """Every change is refused with EROFS, and every file can be read."""
    lost = states(store).count("bad") + states(store).count("damaged")
    for change in CHANGES:
        with pytest.raises(OSError, match=r"[Rr]ead-only") as caught:
            change(store)
        assert caught.value.errno == errno.EROFS
    text = f"{lost} erase blocks can't be used any more: the store is read-only"
    with pytest.raises(OSError, match=text):
        store.remove(store.names()[0])
    assert contents(store).items() >= expected.items()
    assert mounted(store).items() >= expected.items()


@pytest.mark.parametrize("config", CONFIGS)
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("stuck_erases", [0, 100])
def test_blocks_wear_out_one_by_one_and_the_store_shrinks(config: str, seed: int, stuck_erases: int) -> None:
    """Until what the files need does not fit any more: removing helps then; or until the log can't go on."""
    store = formatted(config, worn=Worn(drawn=Weibull(30, 3), stuck_erases=stuck_erases), seed=seed)
    first = store.usage().capacity_bytes
    expected = work(store, steps(5))
    refused = write_on(store, expected)
    lost = states(store).count("bad")
    assert lost > 1
    assert store.usage().capacity_bytes == max(first - lost * block_capacity(config), 0)
    assert contents(store).items() >= expected.items()
    if refused.errno == errno.EROFS:
        assert_read_only(store, expected)
        assert contents(Store.mount(store.flash)).items() >= expected.items()
        return
    assert refused.errno == errno.ENOSPC
    before = store.flash.erases
    store = Store.mount(store.flash)
    assert store.flash.erases - before <= BLOCKS, "a mount wears the flash out"
    for name in store.names():
        assert contents(store).items() >= expected.items()
        try:
            store.remove(name)
        except OSError:  # the last blocks failed meanwhile
            assert_read_only(store, expected)
            return
        expected.pop(name, None)
    assert mounted(store) == {}


@pytest.mark.parametrize("config", CONFIGS)
@pytest.mark.parametrize("operation", ["program", "erase"])
@pytest.mark.parametrize("at", [30, 31, 45])
def test_when_everything_fails_the_store_is_read_only(config: str, operation: str, at: int) -> None:
    """From then on no block can be programmed (or erased) any more."""
    store = formatted(config, Error(operation, at if operation == "program" else at - 29, for_ever=True))
    expected: Contents = {}
    refused = None
    try:
        work(store, steps(5), expected)
    except OSError as error:
        refused = error
    else:
        refused = write_on(store, expected)
    assert refused.errno == errno.EROFS
    assert_read_only(store, expected)
    for _ in range(2):
        store = Store.mount(store.flash)
        assert contents(store).items() >= expected.items()
        for change in CHANGES[:2]:
            with pytest.raises(OSError, match=r"Read-only|read-only|No space") as caught:
                change(store)
            assert caught.value.errno in (errno.EROFS, errno.ENOSPC)
        assert contents(store).items() >= expected.items()


# -- blocks that can't be cleaned


@pytest.mark.parametrize("config", CONFIGS)
def test_a_block_with_damaged_live_frames_is_set_aside_and_cleaning_goes_on(config: str) -> None:
    """The block lists its runs, so that a mount does not have to read the damaged frame."""
    flash = NorFlash(BLOCKS, 1024, 64)
    store = Store.format(flash, StoreConfig(name_bytes=12, cleaner="oldest-first", **CONFIGS[config]))
    put(store, "keep", bytes(800))
    expected = work(store, steps(8)[1:])
    node = store._volume.lookup(b"keep")
    assert node is not None
    address = node.places[0]
    block = address // 1024
    assert states(store)[block] == "closed"
    image = bytearray(store.flash.image())
    image[address + 20] ^= 1
    store = Store.mount(flash_of(image, block_bytes=1024))
    capacity = store.usage().capacity_bytes
    for number in range(150):
        put(store, "churn", bytes([number]) * 70)
    expected["churn"] = bytes([149]) * 70
    assert states(store)[block] == "damaged"
    assert states(store).count("damaged") == 1
    assert store.usage().capacity_bytes == capacity - store._volume.state.layout.block_room
    for _ in range(2):
        assert {name: read(store, name) for name in expected} == expected
        assert set(store.names()) == {*expected, "keep"}
        with pytest.raises(CorruptStore, match=f"block {block} at byte"):
            read(store, "keep")
        store = Store.mount(store.flash)
    assert store.flash.image()[block * 1024 : (block + 1) * 1024] == image[block * 1024 : (block + 1) * 1024]
    store.remove("keep")
    assert set(mounted(store)) == set(expected)


def read(store: Store, name: str) -> bytes:
    with store.open(name) as file:
        return file.readall()


# -- formatting a flash with failing blocks


FORMATS = {
    "erase": Error("erase", block=2, for_ever=True),
    "erase, which leaves zeros": Error("erase", block=2, for_ever=True, leaves="zeros half"),
    "first erase": Error("erase", block=0, for_ever=True),
    "statement": Error("program", block=0, for_ever=True, leaves="bits half"),
    "end of a statement": Error("program", 2, block=0, for_ever=True, leaves="bits half"),
    "first frame": Error("program", 4, block=0, for_ever=True, leaves="bits half"),
}


@pytest.mark.parametrize("failing", FORMATS)
@pytest.mark.parametrize("old_rounds", [0, 25, 60])
def test_a_format_leaves_failing_blocks_out(failing: str, old_rounds: int) -> None:
    """Over an older store, of which nothing may come back, and on a blank flash."""
    error = FORMATS[failing]
    image = b"\xff" * (BLOCKS * SIZE)
    if old_rounds:
        old = worked_store(block_count=BLOCKS)
        churn(old, old_rounds)
        image = old.flash.image()
    flash = NorFlash.from_image(image, SIZE, 64, faults=Watched(Faults(errors=(error,))))
    store = Store.format(flash, StoreConfig(buffer_bytes=40, name_bytes=14, seed=5))
    expected = work(store, steps(60))
    assert watched(store).failed
    assert [number for number, state in enumerate(states(store)) if state == "bad"] == [error.block]
    assert bad_on(flash) == {error.block}
    assert mounted(store) == expected
    again = Store.mount(flash)
    assert (again.config.seed, again.config.buffer_bytes, again.config.name_bytes) == (5, 40, 14)
    assert contents(again) == expected
    assert again.check() == []


@pytest.mark.parametrize("operation", ["program", "erase"])
def test_a_format_that_finds_no_block_says_so(operation: str) -> None:
    flash = flash_of(worked_store().flash.image(), faults=Plan(Faults(errors=(Error(operation, for_ever=True),))))
    with pytest.raises(CorruptStore, match="no erase block of this flash can be written") as caught:
        Store.format(flash, StoreConfig(buffer_bytes=32, name_bytes=12))
    assert caught.value.errno == errno.EIO


# -- the power goes around a retirement


@pytest.mark.parametrize("config", CONFIGS)
@pytest.mark.parametrize("place", PLACES)
def test_a_cut_around_a_retirement(config: str, place: str) -> None:
    """One of the things that a cut may leave at every third change; the slow test below takes them all at each."""
    for error, at, leaves in cuts_around(config, place)[::3]:
        cut_and_mount(config, error, Cut(at, leaves[at % len(leaves)]))


@pytest.mark.slow
@pytest.mark.parametrize("config", CONFIGS)
@pytest.mark.parametrize("place", PLACES)
def test_every_cut_around_a_retirement(config: str, place: str) -> None:
    for error, at, leaves in cuts_around(config, place):
        for one in leaves:
            cut_and_mount(config, error, Cut(at, one))


def cuts_around(config: str, place: str) -> list[tuple[Error, int, tuple[str, ...]]]:
    """Every change from shortly before the failure until the block has been told to be bad, 50 at most."""
    error = error_at(config, place, "bits half" if place != "erase" else "zeros half")
    store = formatted(config, error)
    todo, expected = steps(), {}
    while not watched(store).failed:
        expected = work(store, [todo.pop(0)], expected)
    first = len(watched(store).changes) - 5
    while not bad_on(store.flash):
        expected = work(store, [todo.pop(0)], expected)
    work(store, [todo.pop(0)], expected)
    changes = list(enumerate(watched(store).changes))[first : first + 50]
    return [(error, at, LEAVES["erase" if change.data is None else "program"]) for at, change in changes]


def cut_and_mount(config: str, error: Error, cut: Cut) -> None:
    """What is acknowledged is there, or that and a part of what was being written; a second mount agrees."""
    expected: Contents = {}
    store = formatted(config, error, cuts=(cut,))
    flash = store.flash
    for step in steps():
        before = dict(expected)
        try:
            work(store, [step], expected)
        except PowerCut:
            break
    else:
        raise AssertionError("the power was never cut")
    name, mode, data = step
    kept = before.get(name, b"") if mode == "a" else b""
    allowed = [before, *({**before, name: kept + data[:length]} for length in range(len(data) + 1))]
    flash.power_on()
    again = Store.mount(flash)
    found = contents(again)
    assert found in allowed, (cut, name)
    assert again.check() == [], cut
    image = flash.image()
    assert contents(Store.mount(flash)) == found
    assert flash.image() == image, cut
    again = Store.mount(flash)
    put(again, "after", b"it goes on" * 4)
    found["after"] = b"it goes on" * 4
    churn(again, 12, "churn", 70)
    found["churn"] = bytes([11]) * 70
    assert contents(again) == mounted(again) == found, cut
    assert again.check() == [], cut


@pytest.mark.parametrize("at", range(24, 56, 3))
def test_an_append_that_fails_in_a_run_goes_on_in_the_next_block(at: int) -> None:
    plan = Plan(Faults(errors=(Error("program", at=at),)))
    store = Store.format(NorFlash(8, 1024, 128, faults=plan), StoreConfig(buffer_bytes=64, name_bytes=16))
    for number in range(40):
        put(store, "log", bytes([number]) * 9, "a")
    assert contents(store) == mounted(store) == {"log": b"".join(bytes([number]) * 9 for number in range(40))}
    assert len(store._volume.state.blocks.failing) + states(store).count("bad") == 1


@pytest.mark.parametrize("config", CONFIGS)
def test_a_statement_whose_program_failed_does_not_rule_even_if_it_can_be_read(config: str) -> None:
    """The log goes on in another block; which one has the lower address does not matter."""
    lower = set()
    for late in (60, 114, 159, 168, 195, 204, 213):
        error = error_at(config, "end of a statement", "all", late)
        store = formatted(config, error)
        todo = steps()
        expected: Contents = {}
        while todo:
            failed_before = watched(store).failed
            expected = work(store, [todo.pop(0)], expected)
            if watched(store).failed > failed_before:
                assert error.block is not None
                lower.add(error.block < store._volume.state.segments.lead)
            assert mounted(store) == expected
    assert lower == {False, True}


def test_what_a_bad_block_told_of_others_is_not_missed() -> None:
    """Its seal still lists a frame that tells of another block, which the failed erase has taken."""
    store = Store.format(NorFlash(BLOCKS, 1024, 64), StoreConfig(name_bytes=12, buffer_bytes=32))
    put(store, "keep", b"k" * 40)
    state = store._volume.state
    segments = state.segments
    segments._replace_block(0)  # its statement tells of the block that the log has left
    told = segments.lead
    segments.advance(0)
    store._volume.cleaner.clean(told)
    segments.retire(told)
    segments.advance(0)  # its statement says that nothing counts in it
    expected, flash = contents(store), store.flash
    assert mounted(store) == expected
    flash.put(told * 1024, bytes(100))
    assert Store.mount(flash, read_only=True).check() == []
    assert contents(Store.mount(flash)) == expected
