"""`simfs cuts --lives`, through click's runner."""

import json
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.files.heard import FileCall
from simfs.study.cuts.lives import campaign
from simfs.study.cuts.notes.durability import Persistence
from simfs.study.cuts.notes.history import Event

CASE = "9x1024 page=128; buffer_bytes=64 name_bytes=12; open #1 /a w; write #1 end 90; close #1; remove /a"


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, ["cuts", "--case", CASE, "--workers", "1", *map(str, words)])


@pytest.fixture(autouse=True)
def _short_lives(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(campaign, "CUTS_PER_LIFE", 20)
    monkeypatch.setattr(campaign, "SHRINK_SESSIONS", 300)


@pytest.fixture
def forgetful(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rule is made to deny what a close acknowledges."""

    def denied(rule: Persistence, call: FileCall) -> Iterator[Event]:
        yield from ()

    monkeypatch.setattr(Persistence, "_close", denied)
    monkeypatch.setattr(campaign, "CUTS_PER_LIFE", 60)  # so many that each life meets one right behind a close


def test_lives_are_lived_and_the_report_says_how_many_cuts_they_had() -> None:
    result = invoke("--lives", 3)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "3 lives of up to 20 power cuts each, seeds 0 to 2, fault profile program-contained: 60 cuts," in text
    assert "After each cut the store mounts, holds all that was acknowledged" in text
    assert "One life of up to 20 power cuts each, seed 5," in invoke("--lives", 1, "--seed", 5).stdout


def test_json_has_the_same_figures() -> None:
    found = json.loads(invoke("--lives", 3, "--json").stdout)
    assert (found["lives"], found["cuts"], found["broken"]) == (3, 60, [])
    assert 0 < found["in_recoveries"] < 60
    assert found["subject"]["places"]["seed"] == 0


@pytest.mark.usefixtures("forgetful")
def test_a_life_that_breaks_a_promise_ends_with_1_and_its_line_repeats_it(tmp_path: Path) -> None:
    page = tmp_path / "lives.html"
    result = invoke("--lives", 3, "--sheet", page)
    assert result.exit_code == 1, result.output
    assert "! 3 lives break a promise of the store" in result.stdout
    assert "  ! lost, after " in result.stdout
    assert "    shortest: " in result.stdout
    assert '        open /a "w" as 1\n' in result.stdout
    text = page.read_text()
    assert "3 lives break a promise of the store." in text
    assert text.index("Lives that break a promise") < text.index("power on, cut after")
    line = next(line for line in result.stdout.splitlines() if line.startswith("    simfs cuts "))
    again = CliRunner().invoke(commands, shlex.split(line)[1:])
    assert again.exit_code == 1, again.output
    assert "! 1 life breaks a promise" in again.stdout


@pytest.mark.usefixtures("forgetful")
def test_json_has_the_shortest_life_of_the_first_of_a_kind() -> None:
    broken = json.loads(invoke("--lives", 3, "--json").stdout)["broken"]
    assert [life["seed"] for life in broken] == [0, 1, 2]
    assert [life["promise"] for life in broken] == ["lost"] * 3
    assert [life["shortest"] is not None for life in broken] == [True, False, False]
    calls = [call["kind"] for session in broken[0]["shortest"] for call in session["calls"]]
    assert "close" in calls
    assert len(calls) < 20
