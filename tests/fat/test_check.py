"""Planted faults: the check names each, and fsck.fat agrees that there is one."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from simfs.fat.card.card import Card
from simfs.fat.checking.check import check
from simfs.fat.checking.mend import mend
from simfs.fat.format.entries import ENTRY
from simfs.files.card_store import CardStore
from tests.fat.volumes import CONFIG, SIZES, contents, fsck, needs_fsck, new_store, put

Plant = Callable[[CardStore], None]


def a_volume(kind: str = "FAT16") -> CardStore:
    """Clusters 2 to 4 are /A's, 5 the directory /d, 6 and 7 /d/B's; on FAT32 each is one further."""
    store = new_store(kind)
    put(store, "/A", bytes(3 * store.volume.layout.cluster_bytes - 10))
    put(store, "/d/B", bytes(2 * store.volume.layout.cluster_bytes - 10))
    put(store, "/a long name", b"")
    return store


def links(*pairs: tuple[int, int], copies: int = 2) -> Plant:
    """Entries of the table of FAT16, in so many copies."""

    def plant(store: CardStore) -> None:
        for start in store.volume.layout.table_starts[:copies]:
            sector = bytearray(store.card.look(start))
            for cluster, value in pairs:
                struct.pack_into("<H", sector, 2 * cluster, value)
            store.card.write(start, bytes(sector))

    return plant


def entry(name: str, *, first: int | None = None, size: int | None = None, short: bytes | None = None) -> Plant:
    """Another first cluster, size or short name in the entry of a file."""

    def plant(store: CardStore) -> None:
        sector, at = store.volume.find_file([part for part in name.split("/") if part]).place
        raw = bytearray(store.card.look(sector))
        fields = list(ENTRY.unpack_from(raw, at))
        fields[0] = fields[0] if short is None else short
        fields[10] = fields[10] if first is None else first
        fields[11] = fields[11] if size is None else size
        ENTRY.pack_into(raw, at, *fields)
        store.card.write(sector, bytes(raw))

    return plant


def byte(sector: int, at: int, value: int) -> Plant:
    def plant(store: CardStore) -> None:
        raw = bytearray(store.card.look(sector))
        raw[at] = value
        store.card.write(sector, bytes(raw))

    return plant


D_SECTOR = 97 + 2 * 3  # the first of the directory /d
PLANTED: dict[str, tuple[Plant, str]] = {
    "copies differ": (links((100, 0xFFFF), copies=1), "copies differ"),
    "a chain that nobody has": (links((100, 101), (101, 0xFFFF)), "lost chain"),
    "two files share clusters": (entry("/d/B", first=2), "chain"),
    "a chain that goes round": (links((4, 2)), "chain"),
    "a link to a free cluster": (links((3, 200)), "chain"),
    "a link to what is no cluster": (links((3, 0xFFF0)), "chain"),
    "a link to 1": (links((3, 1)), "chain"),
    "a file that begins nowhere": (entry("/A", first=0xEEEE), "chain"),
    "a size beyond the chain": (entry("/A", size=9999), "size"),
    "a size without a cluster": (entry("/d/B", first=0), "size"),
    "a chain beyond the size": (entry("/A", size=10), "chain too long"),
    "dots that lead elsewhere": (byte(D_SECTOR, 26, 9), "dots"),
    "a bad character": (entry("/A", short=b"A*         "), "bad name"),
    "a dirty mark": (byte(0, 37, 1), "dirty mark"),
    "a long name of somebody else": (byte(65, 32 * 3 + 13, 0x99), "stray name"),
    "the same name twice": (entry("/a long name", short=b"A          "), "same name"),
}


@pytest.mark.parametrize("what", PLANTED)
def test_the_check_names_what_was_planted(what: str) -> None:
    store = a_volume()
    assert store.check() == []
    plant, kind = PLANTED[what]
    plant(store)
    assert kind in {fault.kind for fault in check(store.card)}


@needs_fsck
@pytest.mark.parametrize("what", sorted(PLANTED.keys() - {"a long name of somebody else", "the same name twice"}))
def test_fsck_agrees_that_it_is_a_fault(what: str, tmp_path: Path) -> None:
    store = a_volume()
    PLANTED[what][0](store)
    assert fsck(store.card.image(), tmp_path / "image")


def test_the_hints_and_the_backup_of_fat32() -> None:
    store = a_volume("FAT32")
    assert store.check() == []
    byte(1, 488, 7)(store)
    byte(6, 13, 8)(store)
    assert {fault.kind for fault in check(store.card)} == {"free count", "backup differs"}


@pytest.mark.parametrize(
    ("sector", "where"), [(1, "table"), (33, "table"), (65, "directory /"), (D_SECTOR, "directory /d")]
)
def test_sectors_that_cannot_be_read_are_named(sector: int, where: str) -> None:
    store = a_volume()
    store.card.unreadable.add(sector)
    told = [fault for fault in check(store.card) if fault.kind == "unreadable"]
    assert len(told) == 1
    assert f"sector {sector}" in told[0].where
    assert where in told[0].what


def test_what_waits_is_no_fault() -> None:
    store = a_volume()
    with store.open("/A", "a") as file:
        file.write(bytes(5000))
        assert store.check() == []
        store.remove("/A")
        assert store.check() == []
    assert check(store.card) == []


def test_no_volume_at_all() -> None:
    assert [fault.kind for fault in check(Card(100))] == ["no volume"]


STAY = {"a bad character", "the same name twice"}


@pytest.mark.parametrize("what", sorted(PLANTED.keys() - STAY))
def test_what_was_planted_is_mended(what: str) -> None:
    store = a_volume()
    PLANTED[what][0](store)
    assert mend(store.card)
    assert check(store.card) == []
    assert mend(store.card) == []
    assert set(contents(CardStore.mount(store.card, CONFIG))) >= {"/A", "/d/B"}


@needs_fsck
@pytest.mark.parametrize("kind", SIZES)
def test_fsck_finds_nothing_after_mending(kind: str, tmp_path: Path) -> None:
    rng = random.Random(kind)
    for _ in range(8):
        store = a_volume(kind)
        layout = store.volume.layout
        for _ in range(3):
            sector = rng.choice(
                (layout.table_starts[0], layout.table_starts[1], layout.root_start, layout.data_start + 3)
            )
            store.card.unreadable.add(sector)
        mend(store.card)
        assert check(store.card) == []
        assert fsck(store.card.image(), tmp_path / "image") == []


def test_a_directory_that_nothing_leads_to_gets_a_name_again() -> None:
    store = a_volume()
    inside = contents(store)["/d/B"]
    store.card.unreadable.add(65)
    assert "/LOST0001: a directory that nothing led to" in mend(store.card)
    assert contents(CardStore.mount(store.card, CONFIG))["/LOST0001/B"] == inside
