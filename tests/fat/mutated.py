"""Mutated volumes: a sound one, with a few changes where they hurt, drawn from a seed; and a judge of whoever reads,
mends or goes on with them."""

from __future__ import annotations

import random
from collections.abc import Callable
from contextlib import suppress

from simfs.bridges.cards.source import AT_A_DESK
from simfs.fat.card.card import Card
from simfs.fat.checking.check import check
from simfs.fat.checking.mend import mend
from simfs.fat.format.layout import Layout
from simfs.fat.format.table_entries import packed, unpacked
from simfs.files.card_store import CardStore
from tests.fat.volumes import CONFIG, contents, new_store, put

STAY = {"same name", "bad name", "no volume"}
"""What mending leaves: two equal names, names that none may have, and what is no volume at all."""

NAMES = ("/A", "/d/B", "/a long name", "/d/deeper/Another Long Name.txt")


def a_rich_volume(kind: str) -> CardStore:
    """Files of some clusters, in directories, with long names; and a removed one."""
    store = new_store(kind)
    cluster = store.volume.layout.cluster_bytes
    for at, name in enumerate(NAMES):
        put(store, name, bytes([65 + at]) * (cluster * (at + 1) - 10))
    put(store, "/gone and away", bytes(100))
    store.remove("/gone and away")
    store.make_directory("/empty")
    return store


def mutated(store: CardStore, seed: int) -> bytearray:
    """The image of a volume with one to five mutations."""
    rng, layout = random.Random(seed), store.volume.layout
    image = bytearray(store.card.image())
    for _ in range(rng.choice((1, 1, 2, 3, 5))):
        rng.choice(MUTATIONS)(rng, image, layout)
    image.extend(bytes(-len(image) % 512))
    return image


def _boot(rng: random.Random, image: bytearray, _: Layout) -> None:
    at = rng.choice((*range(11, 40), 44, 45, 48, 50, rng.randrange(512)))
    image[at] = rng.choice((0, 1, 0x7F, 0xFF, image[at] ^ 1 << rng.randrange(8)))


def _table(rng: random.Random, image: bytearray, layout: Layout) -> None:
    """An entry of the table is changed, in one copy or in all: to another cluster, to itself, to nothing, to no cluster
    at all."""
    cluster = rng.randrange(min(24, layout.last_cluster))
    value = rng.choice((0, 1, cluster, rng.randrange(2, 24), layout.last_cluster + 1, layout.bad, layout.end_of_chain))
    for start in layout.table_starts if rng.random() < 0.7 else layout.table_starts[:1]:
        table = image[start * 512 : (start + layout.table_sectors) * 512]
        entries = list(unpacked(bytes(table), layout.bits))
        if cluster < len(entries):
            entries[cluster] = value
        raw = packed(entries, layout.bits)[: len(table)]
        image[start * 512 : start * 512 + len(raw)] = raw


def _entry(rng: random.Random, image: bytearray, layout: Layout) -> None:
    """A field of an entry in a directory."""
    at = _directory(rng, layout) * 512 + 32 * rng.randrange(16)
    field = rng.choice(((0, 1), (11, 1), (20, 2), (26, 2), (28, 4), (13, 1), (rng.randrange(32), 1)))
    wanted = rng.choice((0, 2, rng.randrange(30), 0xE5, 0xFF, 0xFFFF, rng.getrandbits(8 * field[1])))
    image[at + field[0] : at + sum(field)] = (wanted % (1 << 8 * field[1])).to_bytes(field[1], "little")


def _copied(rng: random.Random, image: bytearray, layout: Layout) -> None:
    """Entries of one directory in another one as well: cross-links and loops."""
    begin, end = (_directory(rng, layout) * 512 + 32 * rng.randrange(12) for _ in range(2))
    length = 32 * rng.randrange(1, 5)
    image[end : end + length] = image[begin : begin + length]


def _sector(rng: random.Random, image: bytearray, layout: Layout) -> None:
    """A whole sector of the administration is something else."""
    sector = rng.choice((_directory(rng, layout), rng.randrange(layout.data_start + 4)))
    image[sector * 512 : sector * 512 + 512] = rng.choice((bytes(512), b"\xff" * 512, rng.randbytes(512)))


def _cut_short(rng: random.Random, image: bytearray, layout: Layout) -> None:
    del image[rng.choice((rng.randrange(4096), layout.data_start * 512, len(image) - 512, rng.randrange(len(image)))) :]


def _directory(rng: random.Random, layout: Layout) -> int:
    """A sector of one of the directories that the volume has, which stand in its first clusters."""
    root = layout.first_sector(layout.root_cluster) if layout.root_cluster else layout.root_start
    return rng.choice((root, root, layout.first_sector(rng.randrange(2, 16))))


MUTATIONS: tuple[Callable[[random.Random, bytearray, Layout], None], ...] = (
    _boot, _table, _table, _entry, _entry, _copied, _sector, _cut_short,
)  # fmt: skip


def judge(image: bytes) -> str:
    """Read, check, mend and go on with a volume: only documented errors, no write where nothing may be written, no more
    reads than there are sectors some times over, and sound once it is mended. What became of it, in a word."""
    card = Card.from_image(image)
    faults = check(card)
    _read(card)
    assert (card.writes, card.image()) == (0, image)
    assert card.reads <= 20 * card.sector_count + 100
    _work(Card.from_image(image))
    if any(fault.kind == "no volume" for fault in faults):
        assert all("\n" not in str(fault) for fault in faults)
        return "refused"
    try:
        mend(card)
    except OSError:
        return "can't be mended"
    left = {fault.kind for fault in check(card)}
    assert left <= STAY, left
    store = CardStore.mount(card, AT_A_DESK)
    if not left:
        contents(store)
        _work(card)
        assert {fault.kind for fault in check(card)} <= STAY
    return "mended" if faults else "sound"


def _read(card: Card) -> None:
    with suppress(OSError):
        store = CardStore.mount(card, CONFIG, read_only=True)
        with suppress(OSError):
            contents(store)
        for name in NAMES:
            with suppress(OSError), store.open(name) as file:
                file.readall()


def _work(card: Card) -> None:
    """What a device does that does not know what it has got."""
    with suppress(OSError):
        store = CardStore.mount(card, CONFIG)
        for name, mode in (*zip(NAMES, ("a", "w", "r+", "a"), strict=True), ("/new/deep/file", "w")):
            with suppress(OSError), store.open(name, mode) as file:
                file.write(bytes(3000))
        for name in NAMES:
            with suppress(OSError):
                store.rename(name, name + "x")
            with suppress(OSError):
                store.remove(name + "x")
        for act in (lambda: store.rename_directory("/d", "/empty"), lambda: store.make_directory("/d")):
            with suppress(OSError):
                act()
