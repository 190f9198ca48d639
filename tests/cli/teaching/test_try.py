"""`simfs try` in a pipe, and the options with which a run is watched."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from tests.support.places import SCENARIOS

DOORBELL = str(SCENARIOS / "doorbell.toml")


def invoke(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(commands, list(words), input=typed)


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_a_lesson_can_be_piped() -> None:
    found = invoke(
        "try", typed="# a comment\nwrite /pin 'pin=4711\\n'\n\ncut 2 write /pin 'pin=0815\\n'\nread /pin\nquit\nbad"
    )
    assert found.exit_code == 0
    assert "> read /pin\nRead /pin: nothing is programmed.\npin=4711\nblock 0" in found.stdout
    assert "then the power is cut.\nBoot and mount: the mount writes to " in found.stdout


def test_what_was_typed_is_saved_as_a_scenario_that_runs() -> None:
    typed = "append /a 'a{b}\\n'\nrepeat 3 write /b 40B\nupdate /b 8 xy\nidle 5s\n"
    typed += "cut 1 append /a x\nboot\nlist /\ntruncate /a 2\n"
    assert invoke("try", typed=f"{typed}rename /a /c\nread /c\nremove /b\nsave mine.toml\n").exit_code == 0
    done = invoke("run", "mine.toml", "--json")
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["trouble"]["refused_operations"] == 0
    text = Path("mine.toml").read_text()
    assert "# typed: cut 1 append /a x" in text
    assert [operation["do"] for task in tomllib.loads(text)["task"] for operation in task["operations"]] == [
        "append", "write", "update", "append", "boot", "boot", "list", "truncate", "rename", "read", "remove",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("boot\nwirte /a b\n", "line 2: there is no operation wirte; known are "),
        ("back\n", "line 1: there is nothing to take back\n"),
        ("save x\n", "line 1: a scenario's name ends with .toml; "),
        ("save no/x.toml\n", "line 1: save no/x.toml: there is no directory "),
        ("film x\n", "line 1: a film's name ends with .html; "),
        ("save x.toml\n", "line 1: nothing was typed that could be saved; "),
        ("cut 9999999 write /a x\n", "line 1: 9999999 is too many; write at most 100000"),
        ("repeat 999999999999 boot\n", "line 1: 999999999999 is too many; write at most 10000"),
        ("repeat 0 boot\n", "line 1: it is not whole; type repeat N OPERATION..., with N a number from 1 on"),
        ("write\n", "line 1: it is not whole; type write FILE CONTENT"),
        (f"write /a {'x' * 5000}\n", "standard input: a line is longer than 4096 letters"),
    ],
)
def test_off_a_terminal_a_mistake_ends_it(typed: str, said: str) -> None:
    found = invoke("try", typed=typed)
    assert found.exit_code == 2
    assert found.stderr.startswith(said)
    assert found.stderr.count("\n") == 1


def test_a_scenario_that_is_there_is_not_written_over_but_its_own_is() -> None:
    Path("mine.toml").write_text("mine")
    found = invoke("try", typed="write /a 10B\nsave mine.toml\n")
    assert (found.exit_code, Path("mine.toml").read_text()) == (2, "mine")
    assert found.stderr == "line 2: mine.toml: it is there already; name another file\n"
    assert invoke("try", typed="write /a 1B\nsave new.toml\nwrite /b 1B\nsave ./new.toml\n").exit_code == 0
    assert "/b" in Path("new.toml").read_text()


def test_a_scenario_gives_flash_and_store() -> None:
    found = invoke("try", DOORBELL, typed="write /a 10B\nsave mine.toml\n")
    assert found.stdout.count("\nblock ") == 6
    assert tomllib.loads(Path("mine.toml").read_text())["store"] == {"buffer": "64 B"}
    assert "erase blocks; 64 can be drawn" in invoke("try", str(SCENARIOS / "tide_gauge.toml")).stderr
    assert "only a flash can be drawn" in invoke("try", str(SCENARIOS / "greenhouse_card.toml")).stderr


def test_a_run_is_told_and_drawn_and_its_report_is_the_same() -> None:
    plain, told = invoke("run", DOORBELL), invoke("run", DOORBELL, "--narrate")
    assert told.stdout.endswith(plain.stdout)
    assert told.stdout.startswith("2031-11-03 07:00:00  Write of 53 bytes to /sound.ini: ")
    assert "\nblock 0  " in told.stdout
    assert invoke("run", DOORBELL, "--narrate", "--json").exit_code == 2


def test_a_film_is_saved() -> None:
    pytest.importorskip("jinja2", reason="needs jinja2: pip install 'simfs[sheet]'")
    plain, filmed = invoke("run", DOORBELL), invoke("run", DOORBELL, "--film", "film.html")
    assert filmed.stdout == plain.stdout
    assert "<title>Film: Doorbell" in Path("film.html").read_text()
    assert invoke("try", typed="write /a 10B\nfilm mine.html\n").exit_code == 0
    assert invoke("run", DOORBELL, "--film", DOORBELL).stderr.endswith("this is the input; name another file\n")


def test_all_that_may_be_typed_is_named() -> None:
    assert invoke("try", typed="undo\n").stderr.endswith("repeat, cut, back, save, film, help, quit\n")


def test_what_is_read_commands_no_terminal() -> None:
    found = invoke("try", typed="append /a 'x\x1b[2Jy\\nz'\nread /a\nlist\n").stdout
    assert "\nx\\x1b[2Jy\nz\nblock 0" in found
    assert invoke("try", typed="append /a 40B\nread /a\n").stdout.count("\0") == 0
