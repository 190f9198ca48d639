"""Volumes that lie: whoever reads them gets one clear line, does bounded work, and writes nothing."""

from __future__ import annotations

import random
import re
from collections import Counter
from contextlib import suppress

import pytest

from simfs.fat.card.card import Card
from simfs.fat.checking.check import check
from simfs.fat.format.errors import BadVolume
from simfs.files.card_store import CardStore
from tests.fat.mutated import a_rich_volume, judge, mutated
from tests.fat.test_check import PLANTED, a_volume, byte, links
from tests.fat.volumes import CONFIG, contents

BOOT: dict[str, tuple[int, bytes]] = {
    "no signature": (510, b"\0\0"),
    "bytes per sector": (11, b"\0\x10"),
    "sectors per cluster": (13, b"\3"),
    "no reserved sectors": (14, b"\0\0"),
    "no copy of the table": (16, b"\0"),
    "many copies of the table": (16, b"\xff"),
    "root entries": (17, b"\1\0"),
    "cut short": (19, b"\xff\xff"),
    "no sectors": (19, b"\0\0"),
    "a table too small": (22, b"\1\0"),
    "a table larger than the card": (22, b"\xff\xff"),
    "a table of nothing": (22, b"\0\0"),
}


@pytest.mark.parametrize("what", BOOT)
def test_a_boot_sector_that_lies_is_refused_in_one_line(what: str) -> None:
    at, raw = BOOT[what]
    image = bytearray(a_volume().card.image())
    image[at : at + len(raw)] = raw
    with pytest.raises(BadVolume) as refused:
        CardStore.mount(Card.from_image(bytes(image)), CONFIG)
    told = str(refused.value.strerror)
    assert re.fullmatch(r"sector 0: [^\n]+; a FAT volume has [^\n]+", told), told
    assert [fault.kind for fault in check(Card.from_image(bytes(image)))] == ["no volume"]


@pytest.mark.parametrize(
    "image",
    [
        b"",
        bytes(511),
        bytes(512),
        b"\xff" * 4096,
        random.Random(1).randbytes(1 << 16),
        b"MZ" + bytes(5000),
        b"\xeb" * 512,
    ],
)
def test_what_is_no_volume_is_refused(image: bytes) -> None:
    with pytest.raises(BadVolume):
        CardStore.mount(Card.from_image(image), CONFIG)


def test_a_volume_that_was_cut_short() -> None:
    image = a_volume().card.image()
    with pytest.raises(BadVolume, match="total sectors: 16,384; a FAT volume has at most the 8,000 there are"):
        CardStore.mount(Card.from_image(image[: 8000 * 512]), CONFIG)


@pytest.mark.parametrize("start", [0, 5, 1 << 31])
def test_a_partition_that_leads_nowhere(start: int) -> None:
    table = bytearray(512 * 100)
    table[446:462] = bytes([0x80, 0, 0, 0, 0x0C, 0, 0, 0]) + start.to_bytes(4, "little") + bytes(4)
    table[510:512] = b"\x55\xaa"
    with pytest.raises(BadVolume):
        CardStore.mount(Card.from_image(bytes(table)), CONFIG)


def use(card: Card) -> None:
    """Read everything that a mount finds; errors are those that are documented."""
    with suppress(OSError):
        store = CardStore.mount(card, CONFIG, read_only=True)
        with suppress(OSError):
            contents(store)
        for name in ("/A", "/d/B", "/a long name"):
            with suppress(OSError), store.open(name) as file:
                file.readall()
    check(card)


def bound(card: Card) -> int:
    """Reads that are enough for everything, each chain followed once for each file."""
    return 20 * card.sector_count


@pytest.mark.parametrize("what", PLANTED)
def test_planted_faults_hold_nobody_up_and_write_nothing(what: str) -> None:
    store = a_volume()
    PLANTED[what][0](store)
    card = Card.from_image(store.card.image())
    use(card)
    assert card.writes == 0
    assert card.reads <= bound(card)


@pytest.mark.parametrize("first", [0, 5])
def test_directories_that_contain_themselves(first: int) -> None:
    """/d/B becomes a directory that leads to the root, or to the directory that it is in."""
    store = a_volume()
    place, at = store.volume.find_file(["d", "B"]).place
    byte(place, at + 11, 0x10)(store)
    byte(place, at + 26, first)(store)
    assert {fault.kind for fault in check(store.card)} >= {"no directory"}
    with pytest.raises(BadVolume, match="leads back to one that it is in"):
        CardStore.mount(store.card, CONFIG).names()


def test_a_directory_that_never_ends() -> None:
    store = a_volume()
    links((5, 5))(store)
    place, at = 97 + 2 * 3, 0
    for sector in (place, place + 1):
        for slot in range(0, 512, 32):
            byte(sector, at + slot, 0xE5)(store)
    with pytest.raises(BadVolume, match=r"never ends|circle"):
        CardStore.mount(store.card, CONFIG).open("/d/C")


VOLUMES = {"FAT12": 70, "FAT16": 35, "FAT32": 2}
VOLUMES_SLOW = {"FAT12": 1000, "FAT16": 700, "FAT32": 300}


def judged(kind: str, seeds: range) -> Counter[str]:
    store = a_rich_volume(kind)
    return Counter(judge(bytes(mutated(store, seed))) for seed in seeds)


@pytest.mark.parametrize("kind", VOLUMES)
def test_mutated_volumes_are_refused_or_mended(kind: str) -> None:
    became = judged(kind, range(VOLUMES[kind]))
    assert set(became) <= {"sound", "mended", "refused"}
    assert became["mended"]


@pytest.mark.slow
@pytest.mark.parametrize("kind", VOLUMES_SLOW)
def test_many_mutated_volumes_are_refused_or_mended(kind: str) -> None:
    assert set(judged(kind, range(VOLUMES_SLOW[kind]))) <= {"sound", "mended", "refused"}


def test_a_huge_directory_is_read_to_its_end() -> None:
    """More entries than one may have, in a chain that is as long as the volume."""
    store = CardStore.format(Card(40_000), CONFIG, 512)
    layout = store.volume.layout
    store.make_directory("/d")
    first = store.volume.find(["d"])
    assert first is not None
    chain = range(first.short.first, layout.last_cluster + 1)
    entry = b"F          " + bytes([0x20]) + bytes(20)
    for cluster in chain:
        store.card.write(layout.first_sector(cluster), entry * 16)
        store.volume.table.set(cluster, cluster + 1 if cluster < layout.last_cluster else layout.end_of_chain)
    store.volume.sync()
    card = Card.from_image(store.card.image())
    with pytest.raises(BadVolume, match="more than 65,536 entries"):
        CardStore.mount(card, CONFIG).names()
    assert "no directory" in {fault.kind for fault in check(card)}
    assert card.reads < 3 * card.sector_count
