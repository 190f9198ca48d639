"""Claims on names: of every name either the newest claim is on the flash or none is; tombstones live exactly as long
as they hold something down. Looked at from outside, on the flash."""

from __future__ import annotations

import errno
from random import Random

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.format.codec import Kind
from tests.support.on_flash import churn, claims_on, frames_on, mounted, put

SMALL = {"block_count": 8, "block_bytes": 1024, "page_bytes": 128}


def small_store(**settings: object) -> Store:
    return Store.format(NorFlash(**SMALL), StoreConfig(buffer_bytes=64, name_bytes=16, **settings))  # type: ignore[arg-type]


def assert_claims_hold(store: Store) -> None:
    """Names borne, names free, the store's count of bearers and its tombstones, against the flash."""
    claims = claims_on(store.flash)
    names = {name.encode() for name in store.names()}
    state = store._volume.state
    for name, of_name in claims.items():
        newest_place, newest_file = of_name[-1]
        assert (newest_file is not None) == (name in names), f"{name!r}: {of_name}"
        bearers = sum(number is not None for _, number in of_name)
        assert state.claims.bearers.get(name, 0) == bearers
        tomb = state.claims.tombs.get(name)
        if newest_file is None and bearers and not go_together(store, of_name):
            assert tomb is not None, f"nothing holds down {name!r}: {of_name}"
            assert tomb[0] == newest_place
        else:
            assert tomb is None, f"a tombstone of {name!r} holds nothing down: {of_name}"
    assert names <= claims.keys()
    assert state.claims.tombs.keys() <= claims.keys()


def go_together(store: Store, of_name: list[tuple[int, int | None]]) -> bool:
    """Whether a freed block, which waits for its erase, takes the newest claim away with all that it holds down."""
    size = store.flash.geometry.block_bytes
    blocks = {place // size for place, number in of_name if number is not None} | {of_name[-1][0] // size}
    return len(blocks) == 1 and store.blocks()[blocks.pop()].state == "freed"


@pytest.mark.parametrize("heads", [1, 2])
@pytest.mark.parametrize("seed", range(3))
def test_claims_hold_after_each_of_many_operations(seed: int, heads: int) -> None:
    random = Random(seed)
    store = small_store(log_heads=heads)
    names = ["a", "b", "c", "dd"]
    for step in range(250):
        name, other = random.choice(names), random.choice(names)
        what = random.choice(("put", "put", "remove", "rename", "grow", "shrink"))
        try:
            if what == "put" or not store.exists(name):
                put(store, name, random.randbytes(random.randrange(150)))
            elif what == "remove":
                store.remove(name)
            elif what == "rename":
                store.rename(name, other)
            else:
                store.truncate(name, random.randrange(200) if what == "grow" else store.stat(name).size_bytes // 2)
        except OSError as error:
            assert error.errno == errno.ENOSPC  # noqa: PT017 - any operation may lack room
        if step % 50 == 49:
            store = Store.mount(store.flash)
        if step % 5 == 0:
            assert_claims_hold(store)
    assert store._volume.state.log.sequence > 300
    assert store.check() == []


def test_a_tombstone_outlives_cleaning_while_an_older_name_stands_and_goes_with_it() -> None:
    store = small_store(level_threshold=0)
    put(store, "gone", b"x" * 100)
    (name_frame,) = (frame for frame in frames_on(store.flash) if frame.payload == b"gone")
    put(store, "kept", b"y" * 850)  # the rest of that block, live
    store.remove("gone")
    (remove_frame,) = (frame for frame in frames_on(store.flash) if frame.kind == Kind.REMOVE)
    assert remove_frame.block != name_frame.block
    close_open_block(store)
    store._volume.cleaner.clean(remove_frame.block)
    assert len(claims_on(store.flash)[b"gone"]) == 3, "written again: it holds the NAME down"
    assert_claims_hold(store)
    close_open_block(store)
    store._volume.cleaner.clean(name_frame.block)
    churn(store, 30)
    assert all(frame.block != name_frame.block for frame in frames_on(store.flash) if frame.payload == b"gone")
    assert b"gone" not in store._volume.state.claims.tombs, "nothing is left to hold down"
    assert list(mounted(store)) == ["churn", "kept"]


def close_open_block(store: Store) -> None:
    """Let the log go on in the next block."""
    state = store._volume.state
    log = state.log
    for which in range(len(log.heads)):
        state.segments.wake(which)
    if log.heads[0] is not None:
        state.segments.advance(0)


def test_a_tombstone_is_dropped_with_the_block_that_holds_all_that_it_holds_down() -> None:
    store = small_store()
    put(store, "gone", b"x")
    store.remove("gone")
    (frame,) = (frame for frame in frames_on(store.flash) if frame.kind == Kind.REMOVE)
    close_open_block(store)
    store._volume.cleaner.clean(frame.block)
    assert len(claims_on(store.flash)[b"gone"]) == 2, "the NAME and its REMOVE go together, neither is written again"
    assert store._volume.state.claims.tombs == {}
    assert store.check() == []


@pytest.mark.parametrize("rounds", [0, 60])
def test_a_name_in_its_second_generation(rounds: int) -> None:
    store = small_store()
    put(store, "n", b"first" * 30)
    store.remove("n")
    churn(store, rounds)
    put(store, "n", b"second")
    churn(store, rounds)
    assert mounted(store)["n"] == b"second"
    store.remove("n")
    churn(store, rounds)
    assert "n" not in mounted(store)
    assert_claims_hold(store)


@pytest.mark.parametrize("rounds", [0, 60])
def test_a_chain_of_renames(rounds: int) -> None:
    store = small_store()
    put(store, "a", b"walks")
    for old, new in ("ab", "bc", "ca", "ad"):
        store.rename(old, new)
        churn(store, rounds)
        assert_claims_hold(store)
    found = mounted(store)
    found.pop("churn", None)
    assert found == {"d": b"walks"}


@pytest.mark.parametrize("rounds", [0, 60])
def test_two_files_trade_names(rounds: int) -> None:
    store = small_store()
    put(store, "a", b"one")
    put(store, "b", b"two")
    for old, new in (("a", "t"), ("b", "a"), ("t", "b")):
        store.rename(old, new)
        churn(store, rounds)
    found = mounted(store)
    found.pop("churn", None)
    assert found == {"a": b"two", "b": b"one"}


def test_a_file_that_was_renamed_over_never_comes_back() -> None:
    store = small_store()
    put(store, "settings", b"old" * 50)
    put(store, "new", b"new")
    store.rename("new", "settings")
    store.remove("settings")
    churn(store, 80)
    assert list(mounted(store)) == ["churn"]
    assert_claims_hold(store)


def test_names_that_fold_to_one_share_their_claims() -> None:
    store = small_store(fold_case=True)
    put(store, "Log", b"1")
    store.remove("LOG")
    churn(store, 60, name="CHURN")
    put(store, "lOg", b"2")
    store.rename("log", "LoG")
    churn(store, 60, name="churn")
    assert mounted(store).keys() == {"CHURN", "LoG"}
    assert store.check() == []
