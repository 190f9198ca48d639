"""Which sectors the driver writes, and in which order: as counted by hand from the rules of FAT.md."""

from __future__ import annotations

import errno

import pytest

from simfs.fat.card.card import Card, Unreadable
from simfs.files.card_store import CardStore
from tests.fat.volumes import CONFIG, contents, new_store, put, written_by

# FAT16 of 8 MiB with clusters of 1 KiB: boot sector 0, tables at 1 and 33, root at 65 to 96, cluster 2 at 97.
TABLE, COPY, ROOT, DATA = 1, 33, 65, 97
PER_TABLE_SECTOR = 256


def test_where_the_parts_of_that_volume_lie() -> None:
    layout = new_store().volume.layout
    assert (layout.table_starts, layout.root_start, layout.data_start) == ((TABLE, COPY), ROOT, DATA)


def test_appends_in_a_file_of_the_root() -> None:
    store = new_store()

    def append(count: int) -> list[int]:
        return written_by(store, lambda: put(store, "/LOG.TXT", bytes(count), "a"))

    first = append(40)
    assert first == [ROOT, DATA, TABLE, COPY, ROOT]  # create; data, both copies, entry
    assert append(40) == [DATA, ROOT]  # within the sector
    assert append(512 - 80) == [DATA, ROOT]  # the sector is full, and was written
    assert append(40) == [DATA + 1, ROOT]  # the next sector of the cluster
    assert append(1000) == [DATA + 1, DATA + 2, DATA + 3, TABLE, COPY, ROOT]  # the rest of it, and a cluster


def test_a_link_that_stands_in_another_sector_than_the_new_end() -> None:
    store = new_store()
    put(store, "/A", bytes(1024))
    put(store, "/FILL", bytes(1024 * (PER_TABLE_SECTOR - 3)))  # so that the next cluster is the 256th
    sectors = written_by(store, lambda: put(store, "/A", bytes(40), "a"))
    data = DATA + (PER_TABLE_SECTOR - 2) * 2
    assert sectors == [TABLE + 1, COPY + 1, data, TABLE, COPY, ROOT]  # the end, then the link


@pytest.mark.parametrize(("kind", "tables"), [("FAT12", 1), ("FAT16", 1), ("FAT32", 1)])
def test_a_cluster_costs_both_copies_and_the_hints(kind: str, tables: int) -> None:
    store = new_store(kind)
    layout = store.volume.layout
    put(store, "/LOG.TXT", bytes(layout.cluster_bytes))
    sectors = written_by(store, lambda: put(store, "/LOG.TXT", bytes(40), "a"))
    hints = [layout.info_sector] if layout.info_sector else []
    assert len(sectors) == 1 + 2 * tables + 1 + len(hints)
    assert sectors[-len(hints) :] == hints if hints else True


def test_a_directory_a_long_name_a_removal() -> None:
    store = new_store()
    sectors = written_by(store, lambda: put(store, "/log/2031-04-05.csv", b""))
    assert sectors == [
        DATA + 1,
        DATA,
        TABLE,
        COPY,
        ROOT,
        DATA,
    ]  # cluster, table, entry; the file's entry
    put(store, "/log/2031-04-05.csv", bytes(3000), "a")
    assert written_by(store, lambda: store.remove("/log/2031-04-05.csv")) == [DATA, TABLE, COPY]


def test_a_long_name_across_two_sectors_has_its_short_entry_written_last() -> None:
    store = new_store()
    for number in range(15):
        put(store, f"/F{number}", b"")
    assert written_by(store, lambda: put(store, "/a name of two pieces", b"")) == [ROOT, ROOT + 1]


def test_renames() -> None:
    store = new_store()
    put(store, "/A", bytes(40))
    put(store, "/B", bytes(2000))
    assert written_by(store, lambda: store.rename("/A", "/C")) == [ROOT]
    assert written_by(store, lambda: store.rename("/C", "/B")) == [ROOT, TABLE, COPY]  # and what B held is freed
    assert contents(store) == {"/B": bytes(40)}
    assert written_by(store, lambda: store.rename("/B", "/b")) == [ROOT]
    assert store.names() == ["/b"]


def test_a_full_sector_is_written_once_and_past_the_buffer() -> None:
    store = new_store()
    with store.open("/A", "w") as file:
        assert written_by(store, lambda: file.write(bytes(1024))) == [DATA, DATA + 1]
        assert written_by(store, lambda: file.write(b"x")) == []
        assert written_by(store, file.flush) == [DATA + 2, TABLE, COPY, ROOT]
        assert written_by(store, file.flush) == []


def test_reading_within_a_sector_reads_it_once() -> None:
    store = new_store()
    put(store, "/A", bytes(600))
    with store.open("/A") as file:
        before = store.card.reads
        assert file.read(100) == bytes(100)
        assert file.read(100) == bytes(100)
        assert store.card.reads - before == 1


def test_a_full_card_refuses_the_write_whole_and_can_remove() -> None:
    store = CardStore.format(Card(128), CONFIG)
    put(store, "/A", bytes(20_000))
    used = store.volume.table.used
    with store.open("/B", "w") as file:
        with pytest.raises(OSError, match=r".") as refused:
            file.write(bytes(64 << 10))
        assert refused.value.errno == errno.ENOSPC
        file.write(b"small")
    assert store.check() == []
    assert store.volume.table.used == used + 1
    store.remove("/A")
    assert contents(store) == {"/B": b"small"}


def test_a_directory_grows_and_finds_what_it_holds() -> None:
    store = new_store()
    names = [f"/log/2031-{month:02}-{day:02}.csv" for month in range(1, 5) for day in range(1, 29)]
    for name in names:
        put(store, name, name.encode())
    assert store.names() == names
    assert store.check() == []
    assert contents(CardStore.mount(store.card, CONFIG)) == {name: name.encode() for name in names}


def test_the_root_of_fat16_is_full_some_time() -> None:
    store = new_store()
    for number in range(24):
        put(store, f"/{number:0250}", b"")  # 20 entries for the long name, and the short one
    with pytest.raises(OSError, match="the root directory is full"):
        put(store, "/" + "x" * 250, b"")
    assert store.check() == []


def test_an_empty_directory_gives_way_to_a_file() -> None:
    store = new_store()
    put(store, "/a/b/c", b"deep")
    with pytest.raises(IsADirectoryError):
        put(store, "/a", b"")
    with pytest.raises(NotADirectoryError):
        put(store, "/a/b/c/d", b"")
    store.remove("/a/b/c")
    put(store, "/a", b"a file")
    assert contents(store) == {"/a": b"a file"}
    assert store.check() == []


@pytest.mark.parametrize("name", ["/a:b", "/a.", "/a ", "/ a", "/..", "/a\n", "/a/../b", b"/\xff"])
def test_a_name_that_a_directory_cannot_hold_is_refused(name: str | bytes) -> None:
    store = new_store()
    with pytest.raises(OSError, match=r".") as refused:
        store.open(name, "w")
    assert refused.value.errno == errno.EINVAL
    assert not store.exists(name)


def test_a_sector_that_cannot_be_read() -> None:
    store = new_store()
    put(store, "/A", bytes(600))
    store.card.unreadable.add(DATA)
    with store.open("/A") as file, pytest.raises(Unreadable, match="the card can't read sector 97"):
        file.read()
    with store.open("/A", "r+") as file:
        file.write(bytes(512))  # a whole sector needs no reading, and heals it
    with store.open("/A") as file:
        assert len(file.readall()) == 600
