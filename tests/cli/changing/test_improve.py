"""`simfs improve`: the report, the changed file, and what it says to a mistake."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.show.units import plain
from simfs.study.advice.improve import Advice
from simfs.study.advice.improve import improve as SEARCH
from tests.study.advice.test_improve import LOGGER, SETTINGS

FOUND: dict[tuple[str, str], Advice] = {}

HOSTILE = LOGGER.replace('name = "level"', 'name = "le\\u001b[2J\\nvel"')


@pytest.fixture(autouse=True)
def searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is found for a scenario is found once for all tests of this module."""

    def found(source: str, aim: str, **how: Any) -> Advice:
        text = Path(source).read_text()
        if (text, aim) not in FOUND:
            FOUND[text, aim] = SEARCH(source, aim=aim, **how)
        return FOUND[text, aim]

    monkeypatch.setattr("simfs.study.advice.improve.improve", found)


def improve(*words: str) -> Result:
    return CliRunner().invoke(commands, ["improve", *words])


@pytest.fixture
def scenario(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "device.toml"
    path.write_text(LOGGER)
    return path


def test_the_report_and_its_json_say_the_same(scenario: Path) -> None:
    scenario.write_text(HOSTILE)
    report, as_json = improve("device.toml").stdout, json.loads(improve("device.toml", "--json").stdout)
    assert as_json["aim"] == "energy"
    for number, one in enumerate(as_json["better"], 1):
        assert f"\n{number}. {plain(one['idea']['name'], 400)}\n" in report
    assert "Costs durability: up to 9 readings wait in RAM" in report
    assert "task[0].operations[0].gather = 10" in report
    assert max(map(len, report.splitlines())) <= 100


def test_a_name_stays_on_its_line(scenario: Path) -> None:
    pytest.importorskip("tomlkit", reason="needs tomlkit: pip install 'simfs[improve]'")
    scenario.write_text(HOSTILE)
    done = improve("device.toml", "--apply", "1", "--into", "better.toml").stdout
    report = improve("device.toml").stdout
    assert "\n1. gather 18 of le\\x1b[2J\\nvel + " in report
    assert "\x1b" not in report + done
    assert done.count("\n") == 1


def test_a_change_is_written_into_a_file(scenario: Path) -> None:
    pytest.importorskip("tomlkit", reason="needs tomlkit: pip install 'simfs[improve]'")
    scenario.write_text(SETTINGS + "# the end\n")
    found = improve("device.toml", "--for", "longest-write", "--apply", "1", "--into", "better.toml")
    assert (found.exit_code, found.stdout) == (0, "better.toml is written, with: erase blocks of 2 KiB.\n")
    assert 'block = "2 KiB"' in (text := Path("better.toml").read_text())
    assert "# the end" in text
    assert CliRunner().invoke(commands, ["run", "better.toml"]).exit_code == 0
    assert scenario.read_text() == SETTINGS + "# the end\n"
    assert improve("device.toml", "--apply", "99", "--into", "x.toml").stderr.startswith(
        "--apply 99: there is no such change; there are 1 to "
    )
    assert not Path("x.toml").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("device.txt",), "device.txt: "),
        (("device.py",), "device.py: only a scenario has settings to change; give a .toml file"),
        (("device.toml", "--apply", "1"), "--apply: it goes with --into, the file to write; give both"),
        (("device.toml", "--into", "x.toml"), "--apply: it goes with --into, the file to write; give both"),
        (("device.toml", "--apply", "1", "--into", "no/x.toml"), "--into no/x.toml: there is no directory "),
        (("bad.toml",), "bad.toml:1: "),
    ],
)
def test_mistakes_are_told_in_a_line(scenario: Path, words: tuple[str, ...], said: str) -> None:
    Path("device.py").write_text("")
    Path("bad.toml").write_text("x")
    found = improve(*words)
    assert found.exit_code == 2
    assert found.stderr.startswith(said)
    assert found.stderr.count("\n") == 1
