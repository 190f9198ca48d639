"""`simfs mount` given what it can't mount: one line, and nothing is left behind. Nothing is mounted here."""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs import NorFlash, Store
from simfs.cli import commands
from simfs.cli.mount_command import store_in
from simfs.cli.outputs import save_image
from simfs.replay.device.device import Device, Run
from tests.support.mounts import scenario_in


def one_line(*words: object) -> str:
    result = CliRunner().invoke(commands, ["mount", *map(str, words)])
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (2, "", 1), result.output
    return result.stderr


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    return scenario_in(tmp_path)


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    made = tmp_path / "mnt"
    made.mkdir()
    return made


def test_a_wrong_mount_point(scenario: Path, tmp_path: Path) -> None:
    assert "it is not empty; name an empty directory" in one_line(scenario, tmp_path)
    assert "it is not a directory" in one_line(scenario, scenario)
    assert "there is no such directory; create it first" in one_line(scenario, tmp_path / "x")


@pytest.mark.parametrize(
    ("library", "says"),
    [
        ("raise ImportError", "mounting needs mfusepy; install it with pip install 'simfs[mount]'"),
        ("raise OSError('Unable to find libfuse')", "on Debian install it with apt-get install -y fuse3"),
    ],
)
def test_a_missing_library_is_one_line_that_says_what_to_install(
    scenario: Path, directory: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, library: str, says: str
) -> None:
    (tmp_path / "lib").mkdir()
    (tmp_path / "lib/mfusepy.py").write_text(library)
    monkeypatch.syspath_prepend(tmp_path / "lib")
    monkeypatch.delitem(sys.modules, "mfusepy", raising=False)
    assert says in one_line(scenario, directory)


def test_files_that_are_no_images(directory: Path, tmp_path: Path) -> None:
    image = tmp_path / "flash.bin"
    assert "No such file" in one_line(image, directory)
    image.write_bytes(b"x" * 5000)
    assert "it holds no store: no sound statement is in it" in one_line(image, directory)
    image.write_bytes(b"\xff" * 8192)
    assert "all 8,192 bytes of it are blank: it holds no store" in one_line(image, directory)
    store = Store.format(NorFlash(16))
    for name in ("/a", "/a/b"):
        store.open(name, "w").close()
    image.write_bytes(store.flash.image())
    assert '"/a" is a file, and "/a/b" would need it as a directory' in one_line(image, directory)
    assert os.listdir(directory) == []


def test_options_that_do_not_fit(scenario: Path, directory: Path, tmp_path: Path) -> None:
    image = tmp_path / "flash.bin"
    image.write_bytes(Store.format(NorFlash(16)).flash.image())
    assert "for images; a scenario has its own chip" in one_line(scenario, directory, "--part", "generic")
    assert "--part none: there is no such part" in one_line(image, directory, "--part", "none")
    both = one_line(image, directory, "--part", "generic", "--device", scenario)
    assert "gives it already; leave out this or --device" in both
    assert "--start 1 x: " in one_line(image, directory, "--start", "1 x")
    assert "no store begins at 0x2000; found is one that begins at 0x0" in one_line(
        image, directory, "--start", "0x2000"
    )
    assert "--start: it is for images; a scenario has its own chip" in one_line(scenario, directory, "--start", "0")
    other = scenario.with_name("other.toml")
    other.write_text(scenario.read_text().replace("[store]", 'block = "64 KiB"\n[store]'))
    says = "the store is made for erase blocks of 4096 bytes; --part or --device give another chip"
    assert says in one_line(image, directory, "--device", other)
    scenario.write_text(scenario.read_text().replace('"1 h"', '"1 x"'))
    assert f"{scenario}:11: task[0].every" in one_line(image, directory, "--device", scenario)
    assert "this is the input" in one_line(scenario, directory, "--save-image", scenario)
    assert "it would lie in the mounted directory" in one_line(scenario, directory, "--save-image", directory / "x")
    assert "there is no directory" in one_line(scenario, directory, "--save-image", tmp_path / "x/y")
    assert os.listdir(directory) == []


def test_an_interval_of_saving_that_can_t_be(scenario: Path, directory: Path, tmp_path: Path) -> None:
    image = ("--save-image", tmp_path / "flash.bin")
    assert "--save-every 1s: nothing says where to; name a file" in one_line(scenario, directory, "--save-every", "1s")
    assert '--save-every 1: "1" has a number without a unit' in one_line(
        scenario, directory, *image, "--save-every", "1"
    )
    for text in ("0 s", "366 d"):
        says = f"--save-every {text}: write a time above 0 and up to 365 d"
        assert says in one_line(scenario, directory, *image, "--save-every", text)


def test_a_scenario_needs_no_task_to_be_mounted(scenario: Path, tmp_path: Path) -> None:
    text = scenario.read_text()
    scenario.write_text(text[: text.index("[run]")])
    assert "it is not empty; name an empty directory" in one_line(scenario, tmp_path)  # and nothing else
    scenario.write_text("[chip]\nsize = 7\n")
    assert f"{scenario}:2: chip.size" in one_line(scenario, tmp_path)


def dump_of(*stores: Store, between: int = 5 * 4096) -> bytes:
    """A dump of a chip with these stores, and something else before each."""
    return b"".join(b"\x5a" * between + store.flash.image() for store in stores)


def holding(text: bytes, block_count: int = 16, **geometry: int) -> Store:
    store = Store.format(NorFlash(block_count, **geometry))
    with store.open("/which", "w") as file:
        file.write(text)
    return store


@pytest.mark.parametrize("geometry", [{}, {"block_bytes": 8192}, {"block_bytes": 1024, "page_bytes": 64}])
def test_a_store_in_a_dump_is_found(tmp_path: Path, geometry: dict[str, int]) -> None:
    dump = tmp_path / "dump.bin"
    dump.write_bytes(dump_of(holding(b"one", **geometry)))
    store = store_in(str(dump), None, None, None, read_only=False)
    assert store.open("/which").read() == b"one"
    store.open("/more", "w").close()


def test_of_several_stores_one_is_chosen_by_its_start(directory: Path, tmp_path: Path) -> None:
    dump = tmp_path / "dump.bin"
    dump.write_bytes(dump_of(holding(b"one"), holding(b"two", 20)))
    assert "more than one store is in it, beginning at" in one_line(dump, directory)
    second = 5 * 4096 + 16 * 4096 + 5 * 4096
    for start, text in (("20KiB", b"one"), (hex(second), b"two")):
        assert store_in(str(dump), None, None, start, read_only=True).open("/which").read() == text
    dump.write_bytes(dump.read_bytes()[:-4096])
    assert "ends 4,096 bytes before the store does" in one_line(dump, directory, "--start", hex(second))


def run_of(store: Store) -> Run:
    return Device(store).finish(title="", source="", kind="mount")


def test_an_image_that_cannot_be_saved_is_kept_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(elsewhere))
    store = holding(b"kept")
    fault = save_image(run_of(store), str(tmp_path / "gone" / "flash.bin"))
    (kept,) = elsewhere.iterdir()
    assert fault == f"--save-image {tmp_path}/gone/flash.bin: No such file or directory; the image is in {kept} instead"
    assert kept.read_bytes() == store.flash.image()
    kept.unlink()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "none"))
    fault = save_image(run_of(store), str(tmp_path / "gone" / "flash.bin"))
    assert fault.endswith("No such file or directory; no image was written")
