"""A full store refuses with ENOSPC, keeps every file as it was, and can always delete."""

from __future__ import annotations

import errno
from random import Random

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.log.heads import Log
from tests.support.on_flash import contents, frames_on, mounted, put

FLASH = {"block_count": 9, "block_bytes": 1024, "page_bytes": 128}
SETTINGS: dict[str, dict[str, object]] = {
    "bytes": {"buffer_bytes": 64},
    "two heads": {"buffer_bytes": 64, "log_heads": 2},
    "pages": {"packing": "page"},
    "large buffer": {"buffer_bytes": 200},
}


def make_store(setting: str) -> Store:
    flash = NorFlash(**{**FLASH, "block_bytes": 2048 if setting == "pages" else 1024})
    return Store.format(flash, StoreConfig(name_bytes=16, **SETTINGS[setting]))  # type: ignore[arg-type]


def assert_refused(error: OSError, name: str) -> None:
    assert (error.errno, error.filename) == (errno.ENOSPC, name)


def fill(store: Store, piece: int, count: int = 10_000) -> int:
    """Write files until the store refuses; how many there are. The refusal changes nothing."""
    for number in range(count):
        before = contents(store)
        try:
            file = store.open(f"f{number}", "w")
        except OSError as error:
            assert_refused(error, f"f{number}")
            assert contents(store) == before
            return number
        try:
            file.write(bytes([number % 251]) * piece)
        except OSError as error:
            assert_refused(error, f"f{number}")
            file.close()
            assert contents(store) == {**before, f"f{number}": b""}, "a write is taken whole or not at all"
            return number + 1
        file.close()
    raise AssertionError("the store never fills")


@pytest.mark.parametrize("piece", [1, 20, 150])
@pytest.mark.parametrize("setting", SETTINGS)
def test_a_full_store_refuses_and_can_always_delete(setting: str, piece: int) -> None:
    store = make_store(setting)
    count = fill(store, piece)
    assert count > 3
    assert store.check() == []
    assert mounted(store) == contents(store)
    usage = store.usage()
    assert usage.live_bytes <= usage.capacity_bytes
    names = store.names()
    Random(count).shuffle(names)
    for name in names:
        store.remove(name)
        assert not store.exists(name)
    assert store.names() == list(mounted(store)) == []
    assert store.check() == []
    assert fill(store, piece) >= count - 1, "the room is back but for what the last tombstones take"


@pytest.mark.parametrize("heads", [1, 2])
def test_names_of_removed_files_never_fill_an_empty_store(heads: int) -> None:
    """One block has room for files here, and the name of a removed file takes a page of it."""
    flash = NorFlash(4 + heads, 2048, 128)
    store = Store.format(flash, StoreConfig(name_bytes=12, packing="page", buffer_bytes=64, log_heads=heads))
    for number in range(120):
        put(store, f"n{number}", b"x" * 40, "w")
        store.remove(f"n{number}")
        if number % 40 == 0:
            store = Store.mount(store.flash)
    assert store.check() == []
    assert mounted(store) == {}


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_mounted_full_store_can_delete(setting: str) -> None:
    store = make_store(setting)
    fill(store, 100)
    for _ in range(5):
        store = Store.mount(store.flash)
        store.remove(store.names()[0])
        assert store.check() == []


@pytest.mark.parametrize("setting", SETTINGS)
def test_room_is_reserved_when_bytes_are_written(setting: str) -> None:
    """ENOSPC never comes first at flush or close, however many buffers wait and whatever other files take meanwhile."""
    store = make_store(setting)
    files = [store.open(f"w{number}", "w") for number in range(8)]
    random, written = Random(3), dict.fromkeys(range(8), 0)
    refused = 0
    for _ in range(3000):
        number = random.randrange(8)
        try:
            written[number] += files[number].write(b"x" * random.randrange(1, 30)) or 0
        except OSError as error:
            assert error.errno == errno.ENOSPC  # noqa: PT017 - that is what the store is driven to
            refused += 1
        if refused > 20:
            break
    assert refused > 20
    for file in files:
        file.flush()
        file.close()
    assert [store.stat(f"w{number}").size_bytes for number in range(8)] == list(written.values())
    usage = store.usage()
    assert usage.live_bytes <= usage.capacity_bytes, "more was promised than there is"
    assert store.check() == []
    assert mounted(store) == contents(store)


@pytest.mark.parametrize("setting", SETTINGS)
def test_operations_on_a_full_store_change_nothing_when_refused(setting: str) -> None:
    store = make_store(setting)
    fill(store, 40)
    random = Random(4)
    outcomes = {"done": 0, "refused": 0}
    for _ in range(300):
        before = contents(store)
        name = random.choice(sorted(before))
        what = random.choice(("rename", "truncate", "put", "append"))
        try:
            if what == "rename":
                store.rename(name, name + "-long"[: random.randrange(6)])
            elif what == "truncate":
                store.truncate(name, random.randrange(200))
            elif what == "append":
                with store.open(name, "a") as file:
                    file.write(b"y" * random.randrange(1, 100))
            else:
                put(store, "one more", b"z" * 30, "w")
            outcomes["done"] += 1
        except OSError as error:
            assert error.errno == errno.ENOSPC  # noqa: PT017 - a refusal is no failure here
            outcomes["refused"] += 1
            left = contents(store)
            if what == "put":  # opened, then the write lacked room
                assert left.pop("one more", b"") == b""
                before.pop("one more", None)
            assert left == before
    assert outcomes["done"] > 20
    assert outcomes["refused"] > 20
    assert store.check() == []
    assert mounted(store) == contents(store)


def test_a_file_grows_by_zeros_as_long_as_its_hole_and_a_split_have_room() -> None:
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    put(store, "log", b"begins")
    state = store._volume.state
    state.blocks.capacity = state.committed + 2 * state.layout.hole_cost - 1
    with pytest.raises(OSError, match="No space left"):
        store.truncate("log", 100)
    state.blocks.capacity += 1
    store.truncate("log", 100)
    assert contents(store) == {"log": b"begins" + bytes(94)}


@pytest.mark.parametrize("length", [64, 100, 128])
def test_what_was_refused_halfway_is_never_written_as_one_frame(length: int, monkeypatch: pytest.MonkeyPatch) -> None:
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    file = store.open("a", "w")
    write = Log.write

    def refuse(*arguments: object) -> None:
        monkeypatch.setattr(Log, "write", write)
        raise OSError(errno.ENOSPC, "no erase block can be freed")

    monkeypatch.setattr(Log, "write", refuse)
    with pytest.raises(OSError, match="no erase block"):
        file.write(bytes(range(length)))
    file.close()
    assert max(len(frame.payload) for frame in frames_on(store.flash)) == 64
    assert store.check() == []
    assert Store.mount(store.flash).open("a").readall() == bytes(range(length))


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_buffer_is_spilled_as_soon_as_it_is_full(setting: str) -> None:
    store = make_store(setting)
    full = store._volume.state.layout.buffer_bytes
    with store.open("a", "w") as file:
        file.write(bytes(full - 1))
        assert mounted(store) == {"a": b""}
        file.write(b"1")
        assert mounted(store) == {"a": bytes(full - 1) + b"1"}
