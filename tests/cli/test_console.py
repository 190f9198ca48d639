"""Console logs through the commands: replayed and cut, refused where nothing can be made of them."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner, Result

from simfs.bridges.recorder import HEADER
from simfs.cli import commands
from tests.support.console_text import console, text_of

LOG = ["boot", "open 3 w /a", "write 3 2 6869", "close 3"]


@pytest.fixture
def simfs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Runs a command on a log that holds the text or bytes."""
    monkeypatch.chdir(tmp_path)

    def run(command: str, log: str | bytes, *options: str) -> Result:
        Path("console.log").write_bytes(log.encode("latin-1") if isinstance(log, str) else log)
        result = CliRunner().invoke(commands, [command, "console.log", *options])
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        return result

    return run


def test_run_replays_a_log_and_shows_where_lines_are_torn_and_lost(simfs) -> None:
    lines = console(*LOG, "open 3 a /a", "write 3 1 61", "write 3 1 62", "close 3")
    result = simfs("run", text_of(["boot ok", *lines[:5], lines[5][:-3], *lines[7:]]), "--part", "W25Q32JV", "--json")
    assert result.exit_code == 0, result.stderr
    report = json.loads(result.stdout)
    assert [(entry["line"], entry["what"]) for entry in report["trouble"]["skipped"]] == [
        (7, "line 7 can't be read: '@fs1 5 60 write 3 1 61 fc78a' (it does not end with its checksum)"),
        (8, "lines are lost before this one: numbers 5 to 6"),
        (8, "/a: it was open where lines are lost, so what it holds from there on is not sure"),
    ]


def test_strict_makes_a_damaged_line_bad_input(simfs) -> None:
    lines = console(*LOG)
    for log in (text_of(lines[:2] + lines[3:]), text_of([*lines[:3], lines[3].replace("close", "clese")])):
        result = simfs("run", log, "--strict")
        assert (result.exit_code, result.stdout) == (2, "")
        assert len(result.stderr.splitlines()) == 1
        assert "console.log: line " in result.stderr
    assert simfs("run", text_of(lines), "--strict").exit_code == 0


def test_what_is_for_scenarios_is_refused(simfs) -> None:
    result = simfs("run", text_of(console(*LOG)), "--plain")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == "--plain: it is for scenarios, and console.log is none; leave it out\n"


def test_cuts_takes_a_log(simfs) -> None:
    result = simfs("cuts", text_of(console(*LOG)), "--size", "64 KiB", "--workers", "1")
    assert result.exit_code == 0, result.stderr
    assert "4 file calls" in result.stdout
    assert "/a" in result.stdout


@pytest.mark.parametrize("seed", range(4))
def test_random_bytes_are_no_log(simfs, seed: int) -> None:
    result = simfs("run", Random(seed).randbytes(200_000))
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("console.log: it is no text; `simfs image explain` looks into")
    assert len(result.stderr.splitlines()) == 1


def test_a_directory_is_for_strace(simfs) -> None:
    result = simfs("run", text_of(console(*LOG)), "--directory", "/d")
    assert result.exit_code == 2
    assert result.stderr.startswith("--directory: ")


def test_recorder_prints_the_header_or_where_it_is() -> None:
    printed = CliRunner().invoke(commands, ["recorder"])
    assert (printed.exit_code, printed.stdout) == (0, HEADER.read_text())
    assert Path(CliRunner().invoke(commands, ["recorder", "--path"]).stdout.rstrip("\n")).samefile(HEADER)
