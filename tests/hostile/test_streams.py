"""Standard output and standard error that are closed, full or gone, as the program meets them."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.test_commands import SCENARIO
from tests.support.places import ROOT

SIMFS = shlex.join([sys.executable, "-c", "from simfs.cli import main; main()"])


@pytest.fixture
def image(tmp_path: Path) -> Path:
    from simfs import NorFlash, Store

    store = Store.format(NorFlash(block_count=8))
    with store.open("/log/a.csv", "w") as file:
        file.write(b"6.42\n")
    path = tmp_path / "unit.bin"
    path.write_bytes(store.flash.image())
    return path


def in_a_shell(words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        f"{SIMFS} {words}", shell=True, executable="/bin/sh", cwd=ROOT, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("words", ["keys store.size", "image read {image} /log/a.csv"])
@pytest.mark.parametrize(
    ("redirected", "says"),
    [
        (">&-", "standard output: it is closed; send it to /dev/null if no report is wanted\n"),
        (">/dev/full", "standard output: No space left on device\n"),
    ],
)
def test_output_that_takes_nothing_is_one_line(words: str, redirected: str, says: str, image: Path) -> None:
    done = in_a_shell(f"{words.format(image=image)} {redirected}")
    assert (done.returncode, done.stderr) == (2, says)


def test_a_run_needs_no_standard_error(tmp_path: Path) -> None:
    (tmp_path / "small.toml").write_text(SCENARIO)
    done = in_a_shell(f"run {tmp_path / 'small.toml'} 2>&-")
    assert (done.returncode, done.stdout.splitlines()[0]) == (0, "A small device")
    done = in_a_shell("run nowhere.toml 2>&-")
    assert (done.returncode, done.stdout) == (2, "")


def test_a_name_that_lacks_its_slash_is_found_again(image: Path) -> None:
    done = in_a_shell(f"image read {image} log/a.csv")
    assert done.returncode == 2
    assert "No such file or directory; did you mean /log/a.csv? `simfs image list` shows" in done.stderr


@pytest.mark.parametrize("words", ["", "image"])
def test_without_a_command_the_help_is_shown(words: str) -> None:
    done = in_a_shell(words)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("Usage: simfs")
