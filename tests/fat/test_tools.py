"""Programs that nobody here wrote, on the same volumes: fsck.fat finds nothing to mend, mtools lists, reads and writes
them, and what they made is read."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from simfs.cli.outputs import save_image
from simfs.fat.card.card import Card
from simfs.files.card_store import CardStore
from tests.fat.volumes import (
    CONFIG,
    SIZES,
    contents,
    fsck,
    listed_by_mtools,
    needs_fsck,
    needs_mtools,
    new_store,
    put,
    read_by_mtools,
    run,
)
from tests.replay.shipped import played
from tests.support.places import SCENARIOS

KINDS = list(SIZES)
MADE = ("/made/A Long Name.dat", "/log/SHORT.DAT", "/lower.dat")
NAMES = [
    "/LOG.TXT",
    "/log/2031-04-05.csv",
    "/log/deeper/a name with blanks.bin",
    "/Grüße.txt",
    "/x.y.z",
    "/" + "n" * 200,
]


@needs_fsck
@pytest.mark.parametrize("kind", KINDS)
def test_fsck_finds_nothing_to_mend_whatever_was_done(kind: str, tmp_path: Path) -> None:
    store, rng = new_store(kind), random.Random(kind)
    assert fsck(store.card.image(), tmp_path / "image") == []
    for step in range(120):
        name, other = rng.choice(NAMES), rng.choice(NAMES)
        do = rng.choice(("append", "append", "write", "remove", "rename", "truncate"))
        if do in ("append", "write"):
            put(store, name, rng.randbytes(rng.randrange(6000)), do[0])
        elif store.exists(name):
            {
                "remove": lambda name=name: store.remove(name),
                "rename": lambda name=name, other=other: store.rename(name, other),
                "truncate": lambda name=name: store.truncate(name, rng.randrange(4000)),
            }[do]()
        if step % 30 == 29:
            assert store.check() == []
            assert fsck(store.card.image(), tmp_path / "image") == []


@needs_mtools
@pytest.mark.parametrize("kind", KINDS)
def test_mtools_reads_what_the_driver_wrote(kind: str, tmp_path: Path) -> None:
    store, rng = new_store(kind), random.Random(kind)
    files = {name: rng.randbytes(rng.randrange(1, 9000)) for name in NAMES if name.isascii()}
    for name, data in files.items():
        put(store, name, data)
    image = tmp_path / "image"
    image.write_bytes(store.card.image())
    assert listed_by_mtools(image) == sorted(files)
    for name, data in files.items():
        assert read_by_mtools(image, name, tmp_path) == data


@needs_mtools
@needs_fsck
@pytest.mark.parametrize("kind", KINDS)
def test_the_driver_reads_and_goes_on_with_what_mtools_wrote(kind: str, tmp_path: Path) -> None:
    store = new_store(kind)
    put(store, "/log/ours.txt", b"ours")
    image, source = tmp_path / "image", tmp_path / "source"
    image.write_bytes(store.card.image())
    source.write_bytes(bytes(range(256)) * 20)
    run("mmd", "-i", image, "::/made")
    for name in MADE:
        run("mcopy", "-i", image, source, f"::{name}")
    run("mdel", "-i", image, "::/log/ours.txt")
    theirs = CardStore.mount(Card.from_image(image.read_bytes()), CONFIG)
    assert contents(theirs) == dict.fromkeys(
        ("/made/A Long Name.dat", "/log/SHORT.DAT", "/lower.dat"), source.read_bytes()
    )
    put(theirs, "/made/a long name.DAT", b"and more", "a")
    assert theirs.stat("/made/A Long Name.dat").size_bytes == 5128
    theirs.rename("/log/SHORT.DAT", "/log/no longer so short.dat")
    assert theirs.check() == []
    assert fsck(theirs.card.image(), tmp_path / "image") == []


@needs_fsck
@needs_mtools
@pytest.mark.parametrize(
    ("kib", "options"),
    [
        (1024, "-F 12"),
        (16_384, "-F 16 -s 4"),
        (40_960, "-F 32 -s 1"),
        (2048, "-F 12 -f 1"),
        (16_384, "-F 16 -R 8 -r 112"),
        (16_384, ""),
    ],
)
def test_volumes_that_mkfs_made(kib: int, options: str, tmp_path: Path) -> None:
    image, source = tmp_path / "image", tmp_path / "source"
    run("mkfs.fat", "-C", *options.split(), image, str(kib))
    source.write_bytes(b"from a host\n" * 500)
    run("mcopy", "-i", image, source, "::/From Host.txt")
    store = CardStore.mount(Card.from_image(image.read_bytes()), CONFIG)
    assert contents(store) == {"/From Host.txt": source.read_bytes()}
    put(store, "/log/day.csv", bytes(5000))
    put(store, "/From Host.txt", b"more", "a")
    store.rename("/log/day.csv", "/day.csv")
    assert store.check() == []
    assert fsck(store.card.image(), image) == []


ON_CARD = [path.name for path in sorted(SCENARIOS.glob("*.toml")) if 'kind = "card"' in path.read_text()]


@needs_fsck
@needs_mtools
@pytest.mark.together
@pytest.mark.parametrize("name", ON_CARD)
def test_the_image_that_a_scenario_leaves_is_sound_and_read_by_others(name: str, tmp_path: Path) -> None:
    run, image = played(name).run, tmp_path / "image"
    assert save_image(run, str(image)) == ""
    assert fsck(image.read_bytes(), tmp_path / "copy") == []
    assert listed_by_mtools(image) == run.store.names()
    for file in run.store.names():
        with run.store.open(file) as opened:
            assert read_by_mtools(image, file, tmp_path) == opened.readall()
