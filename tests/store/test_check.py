"""`Store.check()` names each broken invariant: RAM is broken on purpose, or the flash below it."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.format.codec import FRAME_BYTES, Kind
from simfs.store.tables.blocks import State
from tests.support.on_flash import frames_on, put


def sound_store() -> Store:
    """Blocks of every kind, a tombstone, one erased ahead."""
    store = Store.format(NorFlash(12, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16, level_threshold=0))
    put(store, "log", bytes(range(200)) * 9)
    put(store, "gone", b"x" * 30)
    put(store, "kept", b"y" * 900)
    store.remove("gone")
    state = store._volume.state
    state.segments.advance(0)
    store._volume.cleaner.clean(min(state.blocks.closed, key=state.blocks.live.__getitem__))
    put(store, "more", b"z" * 100)
    assert state.segments.erase_ahead()
    assert {*State} - {State.DAMAGED, State.BAD} == set(state.blocks.state)
    return store


def closed_block(state: Any) -> int:
    return int(state.blocks.closed[0])


def shift_live(state: Any) -> None:
    state.blocks.live[closed_block(state)] += 1


def add_to(what: str) -> Callable[[Any], None]:
    def change(state: Any) -> None:
        owner = {"live_total": state.blocks, "promised": state.claims, "reserved": state}[what]
        setattr(owner, what, getattr(owner, what) + 1)

    return change


def of_log(change: Callable[[Any], None]) -> Callable[[Any], None]:
    return lambda state: change(state.files[b"log"])


def renumber(state: Any) -> None:
    state.nodes[99] = state.nodes.pop(state.files[b"log"].number)


def relist(state: Any) -> None:
    state.files[b"dog"] = state.files.pop(b"log")


def forget(state: Any) -> None:
    del state.nodes[state.files.pop(b"log").number]


def bring_back(state: Any) -> None:
    """As if a closed block, which holds live bytes, waited for its erase."""
    block = closed_block(state)
    state.blocks.closed.remove(block)
    state.blocks.closed_by_wear.remove((state.blocks.erase_count[block], block))
    state.blocks.state[block] = State.FREED
    state.blocks.freed.add(block)


def wear(state: Any) -> None:
    state.blocks.erase_count[closed_block(state)] += 1


def reverse(node: Any) -> None:
    node.starts.reverse()


def grow(node: Any) -> None:
    node.size += 1


def leave_out_the_first(node: Any) -> None:
    node.starts[0] = 1


def swap_places(node: Any) -> None:
    node.places[0], node.places[1] = node.places[1], node.places[0]


def rename(node: Any) -> None:
    node.name = b"LOG"


BROKEN: list[tuple[Callable[[Any], None], str]] = [
    (shift_live, r"block \d+: \d+ live bytes are kept, \d+ are found"),
    (add_to("live_total"), r"\d+ live bytes are kept in all, \d+ are found"),
    (add_to("promised"), r"\d+ bytes are promised to removals, \d+ are needed"),
    (add_to("reserved"), r"1 bytes are reserved for buffers, 0 are needed"),
    (renumber, r"file b'log' is kept as number 99 and says \d+"),
    (of_log(reverse), r"file b'log': spans out of order"),
    (of_log(leave_out_the_first), r"file b'log': spans from \[1\] to \[\d+\] do not cover 1800 bytes"),
    (relist, r"file b'log' is listed as b'dog'"),
    (lambda state: setattr(state.segments, "ready", None), r"blocks \[.+\] are ready, listed are \[.*\]"),
    (lambda state: state.blocks.freed.clear(), r"blocks \[.+\] are freed, listed are \[.*\]"),
    (lambda state: state.blocks.closed.pop(), r"blocks \[.+\] are closed, listed are \[.*\]"),
    (lambda state: state.log.heads.__setitem__(0, None), r"blocks \[\d+\] are open, listed are \[\]"),
    (lambda state: setattr(state.blocks, "unused_count", 0), r"0 blocks are kept as unused, \d+ are found"),
    (bring_back, r"freed block \d+ holds \d+ live bytes"),
    (forget, r"file b'log' is found on the flash only"),
    (of_log(grow), r"file b'log': number, name, size or place differ on the flash"),
    (of_log(rename), r"file b'log': number, name, size or place differ on the flash"),
    (of_log(swap_places), r"file b'log': the flash has other spans"),
    (wear, r"block \d+: erase count \d+ is kept, \d+ is found"),
]


@pytest.mark.parametrize(("breakage", "says"), BROKEN, ids=lambda value: value if isinstance(value, str) else "")
def test_a_broken_invariant_is_named(breakage: Callable[[Any], None], says: str) -> None:
    store = sound_store()
    assert store.check() == []
    breakage(store._volume.state)
    problems = store.check()
    assert any(re.match(says, problem) for problem in problems), problems


def test_bytes_that_cannot_be_read_and_a_mount_that_fails_are_named() -> None:
    store = sound_store()
    newest = max(frames_on(store.flash), key=lambda frame: frame.sequence)
    live = next(frame for frame in frames_on(store.flash) if frame.payload == b"z" * 64)
    assert live.block == newest.block
    store.flash._data[live.address + FRAME_BYTES] ^= 1
    problems = store.check()
    place = f"block {live.block} at byte {live.address % 1024} (flash address {live.address:#x})"
    hurt = f"block {live.block} from byte {live.address % 1024} on (flash address {live.address:#x})"
    assert problems == [
        f"file b'more', bytes 0 to 100: damaged frame in {place}",
        f"a writable mount would fail: damaged: frames can't be read, {hurt}; "
        "`simfs image extract` gives what is sound",
    ]


def test_a_check_looks_at_every_live_byte() -> None:
    """Damage of the last frame of a file that a mount has no need to read."""
    store = sound_store()
    frames = [frame for frame in frames_on(store.flash) if frame.kind == Kind.DATA and frame.payload[:1] == b"y"]
    store.flash._data[frames[-1].address + FRAME_BYTES] ^= 1
    assert any(problem.startswith("file b'kept', bytes ") for problem in store.check())


def test_a_removed_file_that_is_still_open_breaks_nothing() -> None:
    store = sound_store()
    with store.open("kept") as file:
        store.remove("kept")
        assert store.check() == []
        assert file.read() == b"y" * 900
    assert store.check() == []
