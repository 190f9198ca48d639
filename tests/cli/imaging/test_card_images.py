"""`simfs image` and `simfs mount` on images of cards: ours, and those that others made or damaged."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.cli.mount_command import store_in
from simfs.fat.card.card import Card
from simfs.files.card_store import CardStore
from tests.fat.test_check import PLANTED, a_volume
from tests.fat.volumes import contents, fsck, needs_fsck, needs_mtools, put, run

DEVICE = """\
[store]
kind = "card"
name_bytes = 100
[card]
size = "2 MiB"
write_typ = "7 ms"
[run]
duration = "1 d"
[[task]]
name = "log"
every = "1 h"
operations = [{ do = "append", file = "/log/{date}.csv", size = "20 B" }]
"""


def simfs(*words: object) -> Result:
    result = CliRunner().invoke(commands, list(map(str, words)))
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def one_line(*words: object, status: int = 2) -> str:
    result = simfs(*words)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (status, "", 1), result.output
    return result.stderr


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """The image of a sound card."""
    store = CardStore.format(Card(4096))
    put(store, "/log/2031-04-05.csv", b"06:00,2.41\n" * 100)
    put(store, "/settings.ini", b"volume=3")
    path = tmp_path / "card.img"
    path.write_bytes(store.card.image())
    return path


@pytest.fixture
def device(tmp_path: Path) -> Path:
    path = tmp_path / "device.toml"
    path.write_text(DEVICE)
    return path


def test_what_is_in_it(card: Path, tmp_path: Path) -> None:
    before = card.read_bytes()
    assert "2 files of 1,108 bytes in 1 directory besides the root" in simfs("image", "list", card).stdout
    assert simfs("image", "read", card, "/SETTINGS.INI").stdout == "volume=3"
    assert simfs("image", "verify", card).stdout.startswith("sound: a check finds nothing; 2 files\n")
    explained = simfs("image", "explain", card).stdout
    assert "a card of 4,096 sectors, with a FAT12 volume from sector 0 on" in explained
    assert simfs("image", "extract", card, tmp_path / "out").exit_code == 0
    assert (tmp_path / "out" / "log+2031-04-05.csv").read_bytes() == b"06:00,2.41\n" * 100
    told = json.loads(simfs("image", "verify", card, "--json").stdout)
    assert (told["sound"], told["listing"]["directories"], told["problems"]) == (True, ["/log"], [])
    assert json.loads(simfs("image", "explain", card, "--json").stdout)["table_starts"] == [1, 13]
    assert card.read_bytes() == before


def test_what_is_not_in_it(card: Path, tmp_path: Path) -> None:
    assert "did you mean /settings.ini?" in one_line("image", "read", card, "/setting.ini")
    assert "Is a directory" in one_line("image", "read", card, "/log")
    assert "it is for dumps of flash" in one_line("image", "list", card, "--start", "0")
    assert "it is for a store on flash" in one_line("image", "explain", card, "--block", "1")
    directory = tmp_path / "mnt"
    directory.mkdir()
    assert "it is for flash" in one_line("mount", card, directory, "--part", "generic")
    flash = tmp_path / "flash.toml"
    flash.write_text('[chip]\nsize = "1 MiB"\n')
    assert "its store is on flash" in one_line("mount", card, directory, "--device", flash)
    assert "it is not empty" in one_line("image", "extract", card, tmp_path)


@needs_fsck
@needs_mtools
def test_a_card_of_a_host_directory(device: Path, tmp_path: Path) -> None:
    source, image = tmp_path / "source", tmp_path / "new.img"
    (source / "a" / "b").mkdir(parents=True)
    (source / "empty").mkdir()
    (source / "a" / "b" / "a longer name.txt").write_bytes(b"c" * 3000)
    built = simfs("image", "build", source, image, "--device", device)
    assert "a card of 2 MiB with a FAT12 volume, 1 file and 3 directories" in built.stdout, built.output
    first = image.read_bytes()
    assert fsck(first, image) == []
    listed = run("mdir", "-i", image, "-/", "-b", "::/").split()
    assert "::/empty/" in listed
    run("mcopy", "-n", "-i", image, "::/a/b/a longer name.txt", tmp_path / "out")
    assert (tmp_path / "out").read_bytes() == b"c" * 3000
    simfs("image", "build", source, image, "--device", device)
    assert image.read_bytes() == first


def test_what_a_card_can_t_take_is_said_before_anything_is_written(device: Path, tmp_path: Path) -> None:
    source, image = tmp_path / "source", tmp_path / "new.img"
    source.mkdir()
    (source / "a:b").touch()
    (source / "end.").touch()
    (source / ("n" * 120)).touch()
    result = simfs("image", "build", source, image, "--device", device)
    assert [line.rpartition("source: ")[2] for line in result.stderr.splitlines()] == [
        "\"/a:b\": a name on a card can't hold ':'",
        '"/end.": a card drops dots and spaces at the end of a name',
        f'"/{"n" * 120}": it has 121 bytes, 99 fit; every operation with it is refused with ENAMETOOLONG',
    ]
    for path in source.iterdir():
        path.unlink()
    (source / "large").write_bytes(bytes(3 << 20))
    assert "the card is too small by 1,077,760 bytes" in one_line("image", "build", source, image, "--device", device)
    (source / "large").unlink()
    for number in range(513):
        (source / str(number)).touch()
    assert "the root directory is full" in one_line("image", "build", source, image, "--device", device)
    assert not image.exists()


@needs_fsck
@needs_mtools
def test_others_images_are_read_and_written_on(device: Path, tmp_path: Path) -> None:
    image, source = tmp_path / "image", tmp_path / "source"
    run("mkfs.fat", "-C", "-F", "16", "-s", "1", image, "8192")
    source.write_bytes(b"from a host\n" * 500)
    run("mmd", "-i", image, "::/Log of April")
    run("mcopy", "-i", image, source, "::/Log of April/Größe.txt")
    before = image.read_bytes()
    assert simfs("image", "verify", image).exit_code == 0
    assert simfs("image", "read", image, "/log of april/größe.TXT").stdout == source.read_text()
    store = store_in(str(image), None, str(device), None, read_only=False)
    assert isinstance(store, CardStore)
    assert (store.config.name_bytes, store.card.sheet.write_typ_ns) == (100, 7_000_000)
    put(store, "/Log of April/more.csv", bytes(4000))
    store.rename_directory("/Log of April", "/April")
    assert image.read_bytes() == before
    assert fsck(store.card.image(), image) == []
    assert set(contents(store)) == {"/April/Größe.txt", "/April/more.csv"}


@pytest.mark.parametrize("what", PLANTED)
def test_damage_is_told_and_the_file_stays(what: str, tmp_path: Path) -> None:
    store = a_volume()
    PLANTED[what][0](store)
    image = tmp_path / "card.img"
    image.write_bytes(store.card.image())
    before = image.read_bytes()
    verified = simfs("image", "verify", image)
    assert verified.exit_code in (1, 2)
    assert verified.output.startswith("damaged in ") or verified.output.count("\n") == 1
    directory = tmp_path / "out"
    taken = simfs("image", "extract", image, directory, "--damaged")
    assert taken.exit_code in (1, 2)
    if taken.exit_code == 1:
        assert "a copy of the card was mended:" in taken.stdout or what == "a bad character"  # a name, which stays
        assert "left in the image" not in taken.stdout
        assert len(os.listdir(directory)) >= 3
    for command in ("list", "explain"):
        assert simfs("image", command, image).exit_code in (0, 1, 2)
    assert image.read_bytes() == before


def test_what_is_no_volume_is_refused_in_one_line(card: Path, tmp_path: Path) -> None:
    whole = card.read_bytes()
    for name, image in {
        "cut short": whole[:100_000],
        "no clusters": whole[:13] + b"\3" + whole[14:],
        "other partitions": bytes(446) + b"\0\0\0\0\x83\0\0\0\1\0\0\0\2\0\0\0" + bytes(48) + b"\x55\xaa" + bytes(512),
    }.items():
        card.write_bytes(image)
        for command in ("list", "verify", "explain"):
            assert "sector 0: " in one_line("image", command, card), name
        assert "sector 0: " in one_line("image", "read", card, "/x")
        assert "sector 0: " in one_line("image", "extract", card, tmp_path / "out")
        assert "sector 0: " in one_line("mount", card, tmp_path)
