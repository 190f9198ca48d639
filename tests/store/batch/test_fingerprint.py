"""The structure of a store tells apart what goes on otherwise, and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Hashable

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.batch.fingerprint import outline, structure
from tests.support.on_flash import put

SIZES = {"block_count": 8, "block_bytes": 1024, "page_bytes": 128}


def worked(fill: bytes = b"x", length: int = 70, **settings: object) -> Store:
    store = Store.format(NorFlash(**SIZES), StoreConfig(buffer_bytes=64, name_bytes=16, **settings))  # type: ignore[arg-type]
    put(store, "gone", fill * 30)
    for _ in range(40):
        put(store, "log", fill * length)
    store.remove("gone")
    return store


def whole(store: Store, name_of: Callable[[bytes], Hashable] = bytes) -> Hashable:
    found = structure(store._volume, name_of)
    assert found is not None
    return found


def test_it_does_not_depend_on_the_bytes_of_files_and_costs_no_reads() -> None:
    one, other = worked(b"x"), worked(b"y")
    counts = one.flash.counts
    assert whole(one) == whole(other)
    assert hash(whole(one)) == hash(whole(other))
    assert one.flash.counts == counts
    assert outline(one._volume) == outline(other._volume)


@pytest.mark.parametrize(
    "change",
    [
        lambda store: put(store, "log", b"x", "a"),
        lambda store: put(store, "new", b""),
        lambda store: store.rename("log", "gol"),
        lambda store: store.truncate("log", 80),
        lambda store: store._volume.state.segments.advance(0),
        lambda store: store._volume.state.blocks.note_erase_count(7, 9),
    ],
)
def test_it_differs_where_something_is_different(change: Callable[[Store], None]) -> None:
    one, other = worked(), worked()
    change(other)
    assert whole(one) != whole(other)
    assert whole(worked()) != whole(worked(length=69))


def test_names_stand_in_it_as_they_are_known() -> None:
    one, other = worked(), worked()
    other.rename("log", "2031")
    one.rename("log", "2030")
    assert whole(one) != whole(other)
    assert whole(one, len) == whole(other, len)


def test_it_comes_again_where_a_store_does_the_same_over_and_over() -> None:
    """All sequence numbers, file numbers and erase counts are higher then."""
    store = worked(level_threshold=0)
    seen: dict[Hashable, int] = {}
    for number in range(400):
        put(store, "log", b"z" * 70)
        first = seen.setdefault(whole(store), number)
        if first != number:
            break
    assert 0 < number - first < 300
    assert min(store.erase_counts) > 0


def test_there_is_none_while_a_file_is_open_or_waits_or_a_block_is_lost() -> None:
    store = worked()
    with store.open("log"):
        assert structure(store._volume, bytes) is None
    assert structure(store._volume, bytes) is not None
    with store.open("log", "a") as file:
        file.write(b"waits")
        assert structure(store._volume, bytes) is None
    store._volume.state.segments.retire(store._volume.state.blocks.named[0])
    assert structure(store._volume, bytes) is None
