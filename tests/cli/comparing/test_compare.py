"""`simfs compare`, through click's runner."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.replay.device.clock import NS_PER_YEAR
from simfs.show.compare import SHOWN
from simfs.study.compare import EVERY_QUANTITY, Side, compare

SCENARIO = """\
[chip]
size = "64 KiB"
[run]
start = 2031-04-05
duration = "2 d"
[[task]]
name = "gauge"
every = "10 min"
operations = [{ do = "append", file = "/log/{date}", size = "30 B", keep = 1 }]
"""
GATHER = "task.gauge.operations[0].gather=10"


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, ["compare", *map(str, words)])


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SCENARIO)
    return path


def lines_of(text: str) -> dict[str, str]:
    """The mark of each line of the table, by the figure's name."""
    rows = text.split("\n\n")[1].splitlines()[2:]
    return {row[4:30].strip(): row[:1].strip() for row in rows}


def test_the_same_is_not_marked(scenario: Path) -> None:
    done = invoke(scenario, scenario)
    assert (done.exit_code, done.stderr) == (0, "")
    assert set(lines_of(done.stdout).values()) == {""}


def test_a_change_is_marked_where_it_is_worse_and_where_it_only_differs(scenario: Path) -> None:
    done = invoke(scenario, "--with", GATHER)
    marks = lines_of(done.stdout)
    assert done.exit_code == 1
    assert (marks["write amplification"], marks["longest write"], marks["names that break"]) == ("*", "!", "")
    assert f"A is {scenario}; B is {GATHER}" in " ".join(done.stdout.split())
    assert "! B is worse in: " in done.stdout


def test_what_is_tolerated_is_not_worse(scenario: Path) -> None:
    done = invoke(scenario, "--with", GATHER, "--tolerance", 1000)
    assert done.exit_code == 0
    assert "!" not in set(lines_of(done.stdout).values())
    assert "by more than 1,000 %" in done.stdout


def test_a_store_that_becomes_full_has_its_date_and_its_expectation(scenario: Path) -> None:
    after = scenario.with_name("after.toml")
    after.write_text(SCENARIO.replace(", keep = 1", "").replace('"2 d"', '"40 d"'))
    done = invoke(scenario, after, "--tolerance", 1000)
    assert done.exit_code == 1
    assert "2031-04-" in done.stdout
    assert "! B does not meet refused_max, which A meets" in done.stdout
    assert invoke(after, scenario, "--tolerance", 1000).exit_code == 0


def test_json_has_every_figure_of_every_side(scenario: Path) -> None:
    done = invoke(scenario, "--with", "store.packing=page; store.size=48 KiB", "--json")
    found = json.loads(done.stdout)
    assert [side["name"] for side in found["sides"]] == [str(scenario), "store.packing=page; store.size=48 KiB"]
    assert set(found["sides"][1]["figures"]) == {of.name for of in EVERY_QUANTITY} == SHOWN.keys()
    assert found["is_worse"] is (done.exit_code == 1) is True


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "it has nothing to be compared with; give 2 to 8 in all, or one with --with SETTINGS"),
        (("--with", "store.packing"), "--with store.packing: it gives no value; write a setting and its value"),
        (("--with", "store.packing=byte,page"), "it has more than one value"),
        (("--with", "store.size=3 MiB"), "--with store.size=3 MiB: store.size: the store would end at"),
        (("--with", "task.gage.every=1 h"), "there is no task named gage; did you mean gauge"),
        (("--with", "store.packing=page", "--tolerance", "nan"), "--tolerance nan: it is no number of percent; write"),
        (("--with", "store.packing=page", "--tolerance", "inf"), "--tolerance inf: it is no number of percent; write"),
        (("gone.toml",), "gone.toml: No such file or directory; give a scenario or a script"),
    ],
)
def test_bad_input_is_one_line(scenario: Path, words: tuple[str, ...], told: str) -> None:
    done = invoke(scenario, *words)
    assert (done.exit_code, done.stdout) == (2, "")
    (line,) = done.stderr.splitlines()
    assert told in line


def test_only_a_scenario_or_a_script_is_compared(scenario: Path) -> None:
    other = scenario.with_suffix(".txt")
    other.write_text("")
    assert "can be compared; give one" in invoke(scenario, other).stderr
    assert "--with: it is for one scenario" in invoke(scenario, scenario, "--with", GATHER).stderr


def side(**known: float | None) -> Side:
    return Side("", 0, {of.name: known.get(of.name) for of in EVERY_QUANTITY}, ())


@pytest.mark.parametrize(
    ("figure", "first", "second", "tolerance", "worse"),
    [
        ("life_ns", 100, 95, 5, False),
        ("life_ns", 100, 94, 5, True),
        ("life_ns", 94, 100, 0, False),
        ("boot_ns", 100, 105, 5, False),
        ("boot_ns", 100, 106, 5, True),
        ("refused_operations", 0, 1, 500, True),  # nothing can be tolerated of nothing
        ("full_after_ns", None, 10**18, 50, True),  # it never filled up before
        ("full_after_ns", 10**18, None, 0, False),
        ("life_ns", None, 5, 0, False),  # nobody knows
        ("life_ns", 9000 * NS_PER_YEAR, 2000 * NS_PER_YEAR, 0, False),  # shown as "over 1,000 years"
        ("life_ns", 9000 * NS_PER_YEAR, 900 * NS_PER_YEAR, 5, True),
    ],
)
def test_what_counts_as_worse(figure: str, first: float | None, second: float, tolerance: float, worse: bool) -> None:
    found = compare([side(**{figure: first}), side(**{figure: second})], tolerance)
    assert found.is_worse is worse


ON_A_CARD = SCENARIO.replace('[chip]\nsize = "64 KiB"', '[store]\nkind = "card"\n[card]\nsize = "4 MiB"')


def test_a_card_is_held_to_flash_and_its_figures_have_sources(scenario: Path) -> None:
    card = scenario.with_name("card.toml")
    card.write_text(ON_A_CARD)
    done = invoke(scenario, card, "--tolerance", 1e6)
    told = " ".join(done.stdout.split())
    assert done.exit_code == 0, done.output
    assert "What is taken for the card of B; no maker publishes what goes on inside one:" in told
    assert "writing a sector 4 ms public figure, source: SD Physical Layer Simplified Specification 4.10: R2W" in told
    assert "reading a sector 1 ms common practice, no source" in told
    assert {"life, first block", "card's life, at least", "sectors written a day"} <= set(lines_of(done.stdout))
    assert "cuts that lose" not in told


def test_of_several_cards_only_what_differs_is_told_again(scenario: Path) -> None:
    scenario.write_text(ON_A_CARD)
    done = invoke(scenario, "--with", "card.write_typ=2ms", "--with", GATHER)
    told = " ".join(done.stdout.split())
    assert "What is taken for the card of A and C;" in told
    assert "The card of B is the same, but for: writing a sector 2 ms from the scenario" in told
    assert told.count("clock of the data line") == 1


def test_what_power_cuts_leave_is_compared_when_asked_for(scenario: Path) -> None:
    scenario.write_text(ON_A_CARD)
    done = invoke(scenario, "--with", 'store.kind=flash; chip.size="64 KiB"', "--cuts", 20, "--json")
    first, second = (side["figures"] for side in json.loads(done.stdout)["sides"])
    assert (second["cuts_that_lose_percent"], second["lost_at_a_cut_bytes"], second["cuts_to_mend_percent"]) == (
        0,
        0,
        0,
    )
    assert 10 < first["cuts_that_lose_percent"] <= 50  # only a torn sector loses something
    assert first["cuts_that_lose_percent"] <= first["cuts_to_mend_percent"] <= 100
    assert first["lost_at_a_cut_bytes"] > 500
    told = " ".join(invoke(scenario, scenario, "--cuts", 5).stdout.split())
    assert "Power cuts, in states tried: A 10, B 10." in told
