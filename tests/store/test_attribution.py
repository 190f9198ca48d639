"""What a store tells its listeners: every program and erase once, each with its cause, and where its blocks stand."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from random import Random

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import FlashError
from simfs.flash.faults import FaultHooks
from simfs.store.format.codec import DATA, FRAME_BYTES, HEAD, HOLE, KINDS, STATEMENT, U32, Kind
from simfs.store.format.layout import Layout
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause, StoreListener
from simfs.store.usage import BlockView
from tests.support.on_flash import put

BLOCK, PAGE, BLOCKS = 1024, 64, 14
HOST = {
    DATA: Cause.DATA,
    HOLE: Cause.DATA,
    int(Kind.NAME): Cause.NAME,
    int(Kind.RENAME): Cause.NAME,
    int(Kind.REMOVE): Cause.NAME,
}


@dataclass
class Heard(StoreListener):
    """All that was told."""

    programs: list[tuple[int, bytes, Cause]] = field(default_factory=list)
    erases: list[tuple[int, Cause]] = field(default_factory=list)
    changes: list[tuple[int, State, State]] = field(default_factory=list)

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        self.programs.append((address, data, cause))

    def erased(self, block: int, cause: Cause) -> None:
        self.erases.append((block, cause))

    def block_changed(self, block: int, before: State, after: State) -> None:
        self.changes.append((block, before, after))

    def causes(self) -> set[Cause]:
        return {cause for _, _, cause in self.programs} | {cause for _, cause in self.erases}


def new_store(**settings: object) -> Store:
    chosen = {"buffer_bytes": 100, "name_bytes": 16, "level_threshold": 2, **settings}
    return Store.format(NorFlash(BLOCKS, BLOCK, PAGE), StoreConfig(**chosen))


def work(store: Store, seed: int, steps: int = 600) -> Store:
    """Files of all sorts, and boots between; a cold file, so that there is something to level."""
    draw = Random(seed)
    with store.open("/cold", "w") as file:
        file.write(bytes(1500))
    for _ in range(steps):
        name = f"/{draw.randrange(6)}"
        try:
            what = draw.random()
            if what < 0.85:
                with store.open(name, "a" if draw.random() < 0.8 else "w") as file:
                    file.write(draw.randbytes(draw.randrange(1, 180)))
            elif what < 0.91:
                store.truncate(name, draw.randrange(600))
            elif what < 0.95:
                store.rename(name, f"/{draw.randrange(6)}")
            elif what < 0.99:
                store.remove(name)
            else:
                store.idle(10**9)
                store = store.boot()
        except (FileNotFoundError, OSError):
            continue
    return store


def frames(heard: Heard, layout: Layout) -> list[tuple[int, int, int, list[Cause]]]:
    """(address, kind, payload bytes, causes of its programs) of each frame, by the programs alone: one goes on where
    the one before ended, as long as its frame is not whole. The END behind a statement is none, and neither is a seal,
    which comes after its mark."""
    found: list[tuple[int, int, int, list[Cause]]] = []
    at, left, skipping = 0, 0, False
    raw = bytearray()
    for address, data, cause in heard.programs:
        if not left:
            if skipping or data[0] not in KINDS:
                skipping = address % BLOCK == layout.sealing_at or (skipping and (address + len(data)) % PAGE == 0)
                continue
            at, raw = address, bytearray()
            found.append((address, data[0], 0, []))
        assert address == at + len(raw)
        raw += data
        found[-1][3].append(cause)
        size = FRAME_BYTES + HEAD.unpack_from(raw)[1] if len(raw) >= HEAD.size else 1 << 30
        left = size - len(raw)
        found[-1] = (at, raw[0], size - FRAME_BYTES, found[-1][3])
        assert left >= 0
        skipping = not left and raw[0] == STATEMENT
    return found


SETTINGS = [{}, {"log_heads": 2}, {"idle_cleaning": True}, {"cleaner": "random"}, {"level_threshold": 0}]


@pytest.mark.parametrize("settings", SETTINGS, ids=str)
def test_causes_add_up_to_what_the_flash_counts(settings: dict[str, object]) -> None:
    store, heard = new_store(**settings), Heard()
    store.listen(heard)
    before, erased_before = store.flash.counts, store.flash.erase_counts
    work(store, 1)
    spent = store.flash.counts - before
    assert len(heard.programs) == spent.programs > 1000
    assert sum(len(data) for _, data, _ in heard.programs) == spent.program_bytes
    assert len(heard.erases) == spent.erases > 30
    erased = Counter(block for block, _ in heard.erases)
    assert [erased[block] for block in range(BLOCKS)] == [
        now - then for now, then in zip(store.flash.erase_counts, erased_before, strict=True)
    ]
    wanted = {*Cause} - ({Cause.LEVELLING} if settings.get("level_threshold") == 0 else set())
    assert heard.causes() == wanted


@pytest.mark.parametrize("settings", SETTINGS, ids=str)
def test_bytes_of_files_agree_with_the_meters(settings: dict[str, object]) -> None:
    """Without a boot, whose cleaning goes under recovery."""
    store, heard = new_store(**settings), Heard()
    store.listen(heard)
    draw = Random(2)
    with store.open("/cold", "w") as file:
        file.write(bytes(1500))
    for name in range(6):
        store.open(f"/{name}", "x").close()
    for _ in range(600):
        with store.open(f"/{draw.randrange(6)}", "r+" if draw.random() < 0.8 else "w+") as file:
            file.seek(draw.randrange(250))
            file.write(draw.randbytes(draw.randrange(1, 180)))
    by_cause: Counter[Cause] = Counter()
    for _, kind, length, causes in frames(heard, store._volume.state.layout):
        assert len(set(causes)) == 1, "a frame that goes on over a page has one cause"
        moved = kind != STATEMENT and causes[0] in (Cause.RELOCATION, Cause.LEVELLING)
        assert moved or causes[0] == HOST.get(kind, Cause.LOG_RECORD)
        if kind in (DATA, HOLE):
            by_cause[causes[0]] += length - (U32.size if kind == HOLE else 0)
    assert by_cause[Cause.DATA] == store.meters.payload_bytes_programmed
    assert by_cause[Cause.RELOCATION] + by_cause[Cause.LEVELLING] == store.meters.relocated_bytes > 0
    assert (by_cause[Cause.LEVELLING] > 0) == (store.meters.blocks_levelled > 0)


@pytest.mark.parametrize("settings", SETTINGS, ids=str)
def test_headers_are_where_the_format_puts_them(settings: dict[str, object]) -> None:
    store, heard = new_store(**settings), Heard()
    store.listen(heard)
    layout = store._volume.state.layout
    work(store, 3)
    boots, before = 0, Cause.LOG_RECORD
    found = dict.fromkeys(("left", "sealing", "seal", "statement"), 0)
    for address, data, cause in heard.programs:
        at, end = address % BLOCK, address % BLOCK + len(data)
        boots, before = boots + (before != cause == Cause.RECOVERY), cause
        if cause == Cause.RECOVERY:
            continue
        if cause != Cause.LOG_RECORD:
            assert layout.first <= at
            assert end <= layout.seal_at
        found["left"] += at == layout.left_at
        found["sealing"] += at == layout.sealing_at
        found["seal"] += end == layout.seal_end
        found["statement"] += (
            cause == Cause.LOG_RECORD and data[0] == STATEMENT and at % PAGE == layout.place(0, 0).statement
        )
    of_host = [block for block, cause in heard.erases if cause != Cause.RECOVERY]
    assert found["left"] == len(of_host) > 20
    assert found["sealing"] == found["seal"] > 20
    assert found["statement"] >= len(of_host) - 1 - boots, "a boot forgets which block was erased ahead"


@pytest.mark.parametrize("packing", ["byte", "page"])
def test_a_change_of_block_is_a_header_also_while_the_cleaner_moves_frames(packing: str) -> None:
    config = StoreConfig(buffer_bytes=100, name_bytes=16, packing=packing)
    store, heard = Store.format(NorFlash(8, 4096, 256), config), Heard()
    put(store, "a", b"a")
    store.listen(heard)
    store._volume.cleaner.cause = Cause.RELOCATION
    store._volume.state.segments.advance(0)
    assert {cause for _, _, cause in heard.programs} == {Cause.LOG_RECORD}
    assert [cause for _, cause in heard.erases] == [Cause.RELOCATION]


@pytest.mark.parametrize("settings", SETTINGS, ids=str)
def test_states_of_blocks_are_followed(settings: dict[str, object]) -> None:
    store, heard = new_store(**settings), Heard()
    states = [shown(block) for block in store.blocks()]
    store.listen(heard)
    store = work(store, 4)
    for block, before, after in heard.changes:
        assert states[block] == before != after
        states[block] = after
    assert states == [shown(block) for block in store.blocks()]
    assert {after for _, _, after in heard.changes} == {State.READY, State.OPEN, State.CLOSED, State.FREED}


def shown(block: BlockView) -> State:
    return State[block.state.upper()]


class Failing(FaultHooks):
    """Some programs and erases fail from now on."""

    def __init__(self) -> None:
        self.left = 0

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._count("program", address)

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._count("erase", address)

    def _count(self, operation: str, address: int) -> None:
        self.left -= 1
        if not self.left % 150:
            raise FlashError(operation, address)


def test_failing_programs_and_bad_blocks_reach_the_listener_too() -> None:
    plan, heard = Failing(), Heard()
    store = Store.format(NorFlash(2 * BLOCKS, BLOCK, PAGE, faults=plan), StoreConfig(buffer_bytes=100, name_bytes=16))
    states = [shown(block) for block in store.blocks()]
    store.listen(heard)
    before, plan.left = store.flash.counts, 450
    for number in range(300):
        with store.open(f"/{number % 3}", "w") as file:
            file.write(bytes(90))
    spent = store.flash.counts - before
    assert (len(heard.programs), len(heard.erases)) == (spent.programs, spent.erases)
    for block, was, after in heard.changes:
        assert states[block] == was
        states[block] = after
    assert states == [shown(block) for block in store.blocks()]
    assert State.BAD in states


def test_a_listener_takes_what_it_wants_and_comes_when_it_wants() -> None:
    class Erases(StoreListener):
        count = 0

        def erased(self, block: int, cause: Cause) -> None:
            self.count += 1

    store, first, second = new_store(), Heard(), Erases()
    work(store, 5, 100)
    store = store.boot()
    store.listen(first)
    store = work(store, 6, 100)
    store.listen(second)
    before = len(first.erases)
    work(store, 7, 100)
    assert len(first.erases) - before == second.count > 0


def test_a_store_that_has_somebody_to_tell_takes_no_appends_together() -> None:
    """Else their programs would not be told."""
    store = Store.format(NorFlash(BLOCKS, BLOCK, PAGE), StoreConfig(buffer_bytes=100, name_bytes=16))
    put(store, "log", b"begins")
    assert store.stretch("log") is not None
    store.listen(Heard())
    assert store.stretch("log") is None


def test_an_erase_has_the_cause_of_what_needs_the_room() -> None:
    store, heard = new_store(level_threshold=0), Heard()
    store.listen(heard)
    for _ in range(600):
        store.open("/a", "x").close()
        store.remove("/a")
    assert {cause for _, cause in heard.erases} == {Cause.NAME}
    with store.open("/log", "x") as file:
        heard.erases.clear()
        for number in range(400):
            file.seek(number % 20)
            file.write(bytes(90))
            file.flush()
    assert {cause for _, cause in heard.erases} == {Cause.DATA}
    with store.open("/cold", "w") as cold:
        cold.write(bytes(4000))
    heard.erases.clear()
    work(store, 9, 300)
    assert Cause.RELOCATION in {cause for _, cause in heard.erases}
