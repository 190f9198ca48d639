"""`simfs mount` given what it can't mount: one line, and nothing is left behind. Nothing is mounted here."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs import NorFlash, Store
from simfs.cli import commands
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
    assert "whole erase blocks of 4096 bytes, not 5000 bytes; --part or --device" in one_line(image, directory)
    image.write_bytes(b"\xff" * 8192)
    assert "no store on this flash" in one_line(image, directory)
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
    scenario.write_text(scenario.read_text().replace('"1 h"', '"1 x"'))
    assert f"{scenario}:11: task[0].every" in one_line(image, directory, "--device", scenario)
    assert "this is the scenario" in one_line(scenario, directory, "--save-image", scenario)
    assert "it would lie in the mounted directory" in one_line(scenario, directory, "--save-image", directory / "x")
    assert "there is no directory" in one_line(scenario, directory, "--save-image", tmp_path / "x/y")
    assert os.listdir(directory) == []
