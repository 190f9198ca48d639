"""`simfs life`: what it prints, its JSON, its exit codes, and what it refuses."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.replay.device.clock import NS_PER_YEAR
from simfs.replay.play import play
from simfs.replay.scenario.load import load_scenario, parse_scenario
from simfs.show import WHOSE
from simfs.show.life import as_text
from simfs.study.fleet.first_block import device_seed
from simfs.study.fleet.limit_laws import WeibullLimits, limits_of
from simfs.study.life.end_of_life import end_of_life
from simfs.study.life.report import life_report
from simfs.study.run.measure import figures
from tests.support.places import ROOT

GUIDE = ROOT / "simfs" / "guides" / "life.md"

SCENARIO = """\
title = "A small device"
[chip]
size = "64 KiB"
rated_cycles = 60
[run]
start = 9999-06-01
duration = "1 d"
[[task]]
name = "gauge"
every = "6 min"
operations = [{ do = "append", file = "/{date}.csv", size = "40 B", keep = 2 }]
[[task]]
name = "settings"
daily = "03:00"
operations = [{ do = "write", file = "/set", size = "900 B" }]
[expect]
life_min = "100 d"
refused_max = 0
"""


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SCENARIO)
    return path


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, ["life", *map(str, words)])


def test_the_report_says_when_which_block_and_who(scenario: Path) -> None:
    done = invoke(scenario)
    assert done.exit_code == 0, done.stderr
    found = end_of_life(load_scenario(scenario))
    lines = done.stdout.splitlines()
    assert WHOSE in lines
    assert "carried on to the first block at its rated cycles" in done.stdout.replace("\n", " ")
    ends = next(line for line in lines if line.startswith("ends"))
    assert found.clock.startswith("1")
    assert f"on {found.clock}, past the year 9999" in ends
    assert f"block {found.block} has had 60 erases, its rated limit" in done.stdout
    assert f"worn by       task {found.task}" in done.stdout
    assert "how           exact: " in done.stdout
    shares = {line.split()[0]: line.split()[1:] for line in lines if line.startswith(("gauge", "settings"))}
    assert int(shares["gauge"][1]) + int(shares.get("settings", ["0", "0"])[1]) == 60 - (found.block == 0)
    assert "expected life_min 100 days: met" in lines
    assert max(map(len, lines)) <= 100


def test_the_report_says_how_it_was_found(scenario: Path) -> None:
    read = load_scenario(scenario)
    found = end_of_life(read, plain=True)
    whole = as_text(life_report(read, "s.toml", "t", found))
    assert "how           exact: every operation was carried out" in whole
    skipped = replace(found, simulated_ns=3 * NS_PER_YEAR, skipped_periods=12, period_ns=5 * NS_PER_YEAR)
    text = as_text(life_report(read, "s.toml", "t", skipped)).replace("\n              ", " ")
    assert "exact: 3 years were carried out, then 12 periods of 5 years that repeat it skipped" in text


def test_json_has_the_end_of_life(scenario: Path) -> None:
    found = json.loads(invoke(scenario, "--json").stdout)
    expected = end_of_life(load_scenario(scenario))
    assert found["life"]["at_ns"] == expected.at_ns
    assert found["life"]["erase_counts"] == list(expected.erase_counts)
    assert found["life"]["task"] == expected.task in ("gauge", "settings")
    assert found["life"]["past_year_9999"] is True
    assert found["met"] is True
    assert found["title"] == "A small device"


def test_an_expectation_that_is_not_met_is_status_1(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('"100 d"', '"100 years"'))
    done = invoke(scenario)
    assert done.exit_code == 1
    assert "expected life_min 100 years: ! NOT MET" in done.stdout


FILLING = SCENARIO.replace(", keep = 2", "").replace("rated_cycles = 60", "rated_cycles = 10000")


@pytest.mark.parametrize(
    ("changes", "words", "status"),
    [
        ({}, (), 1),
        ({"refused_max = 0": ""}, (), 1),
        ({"refused_max = 0": "refused_max = 5"}, (), 0),
        ({}, ("--until", "full"), 0),
    ],
)
def test_a_store_that_fills_and_refuses_is_status_1(
    scenario: Path, changes: dict[str, str], words: tuple[str, ...], status: int
) -> None:
    text = FILLING
    for old, new in changes.items():
        text = text.replace(old, new)
    scenario.write_text(text)
    done = invoke(scenario, *words)
    assert done.exit_code == status
    assert ("expected refused_max 0: ! NOT MET. Remove old files" in done.stdout) == (status == 1)
    found = json.loads(invoke(scenario, "--json", *words).stdout)
    refused, life = found["is_refused"], found["life"]
    assert (refused, found["met"] is False) == (status == 1, status == 1)
    assert (life["refused"] > 1000) == (not words)
    assert life["first_refused"]["error"] == "ENOSPC"
    if not words:
        row = next(line for line in done.stdout.splitlines() if "refused" in line.split()[:2])
        assert f"{life['refused']:,} of {life['operations']:,} operations; the first after" in row


def test_a_projection_is_near_and_says_so(scenario: Path) -> None:
    exact = json.loads(invoke(scenario, "--json").stdout)["life"]["at_ns"]
    done = invoke(scenario, "--quick")
    assert "projected from" in done.stdout
    assert "will have had 60 erases" in done.stdout
    quick = json.loads(invoke(scenario, "--quick", "--json").stdout)["life"]
    assert quick["exact"] is False
    assert quick["at_ns"] == pytest.approx(exact, rel=0.1)
    assert quick["at_ns"] != exact


def test_true_limits_are_those_of_the_first_device_of_a_fleet(scenario: Path) -> None:
    words = ("--until", "limit", "--scale-cycles", "100", "--shape", "2", "--seed", "7", "--json")
    done = invoke(scenario, *words)
    found = json.loads(done.stdout)
    limits = limits_of(WeibullLimits(100, 2), device_seed(7, 0), 16)
    life = found["life"]
    assert (life["end"], life["limit_cycles"]) == ("limit", limits[life["block"]])
    assert life["erase_counts"][life["block"]] == life["cycles"] == limits[life["block"]]
    assert found["met"] is None
    assert done.exit_code == 0


def test_until_the_store_is_full(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace(", keep = 2", "").replace("rated_cycles = 60", "rated_cycles = 5000"))
    done = invoke(scenario, "--until", "full")
    assert done.exit_code == 0
    assert "the store refused a write; the most worn block" in done.stdout
    assert "expected" not in done.stdout


def test_a_device_that_wears_nothing_lives_for_ever(scenario: Path) -> None:
    text = SCENARIO.replace(", keep = 2 }]", ", keep = 2 }]\nuntil = { runs = 3 }")
    text = text.replace('size = "900 B" }]', 'size = "900 B" }]\nuntil = { runs = 3 }')
    scenario.write_text(text)
    done = invoke(scenario)
    assert "never: nothing wears any more" in done.stdout
    assert "expected life_min 100 days: met" in done.stdout
    assert done.exit_code == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--until", "limit"), "the limits of the blocks: not given; give --scale-cycles and --shape"),
        (("--shape", "3"), "--shape: it is for --until limit; leave it out or ask for that"),
        (("--seed", "3"), "--seed: it is for --until limit; leave it out or ask for that"),
    ],
)
def test_bad_options_are_one_line_and_status_2(scenario: Path, words: tuple[str, ...], said: str) -> None:
    done = invoke(scenario, *words)
    assert (done.exit_code, done.stdout) == (2, "")
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_only_a_scenario_goes_on() -> None:
    done = invoke("scenarios/uplink.py")
    assert done.exit_code == 2
    assert "only a scenario goes on for ever; give a .toml file" in done.stderr


def test_faults_of_a_scenario_are_reported(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('"6 min"', '"6 m"'))
    done = invoke(scenario)
    assert done.exit_code == 2
    assert "small.toml:10" in done.stderr


def test_a_small_record_every_ten_minutes_wears_a_large_store_slowly() -> None:
    """Common practice, no source: on 3 MiB of flash rated for 10,000 cycles that runs for many years."""
    text = (
        '[chip]\nsize = "3 MiB"\nrated_cycles = 10000\n[run]\nduration = "3 years"\n[[task]]\nname = "log"\n'
        'every = "10 min"\noperations = [{ do = "append", file = "/{date}.csv", size = "40 B", keep = 30 }]\n'
    )
    done = play(parse_scenario(text.encode(), "common.toml"), "common.toml")
    assert done.flash.erases > 768
    life = figures(done).life
    assert life.hottest_ns is not None
    assert life.hottest_ns > 1000 * NS_PER_YEAR


def test_the_guide_shows_what_is_printed_of_a_fleet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the devices that are run, which take long: with them, `tests/guides` follows the guide."""
    monkeypatch.chdir(ROOT)
    words = ["fleet", "scenarios/settings.toml", "--passed-parts", "231", "--shape", "3"]
    shown = GUIDE.read_text().partition(f"$ simfs {' '.join(words)} --stores 20 --kept-at 40\n...\n")[2]
    lines = shown.splitlines()[:7]
    assert lines[0].startswith("lost by")
    assert set(lines) <= set(CliRunner().invoke(commands, words).stdout.splitlines())


CHIP = """\
[chip]
size = "1 MiB"
rated_cycles = 1000
[[region]]
name = "set points"
holds = "parameters"
size = "8 KiB"
rewritten_every = "1 h"
[[region]]
name = "files"
holds = "store"
size = "64 KiB"
[run]
duration = "20 d"
[[task]]
name = "log"
every = "10 min"
operations = [{ do = "append", file = "/{date}", size = "60 B", keep = 2 }]
[expect]
life_min = "1 year"
"""


@pytest.mark.parametrize(("wanted", "status"), [("1 year", 1), ("41 d", 0)])
def test_a_region_that_wears_first_decides(tmp_path: Path, wanted: str, status: int) -> None:
    path = tmp_path / "chip.toml"
    path.write_text(CHIP.replace("1 year", wanted))
    done = invoke(path, "--quick")
    assert done.exit_code == status
    lines = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert 'region "set points" after 41.7 days its blocks have had 1,000 erases, their rated limit' in lines
    assert 'first of all the region "set points", before the store' in lines
    found = json.loads(invoke(path, "--quick", "--json").stdout)
    assert found["first_ns"] == found["regions"][0]["life_ns"] == 1000 * 3600 * 10**9
    assert found["life"]["at_ns"] > NS_PER_YEAR, "the store lasts far longer"


def test_a_fleet_counts_the_blocks_of_regions(tmp_path: Path) -> None:
    """Two blocks with an erase an hour: 1 % of the devices have lost one when a block's chance is 1 - 0.99^(1/2), which
    is 2.5747 standard deviations below the median: 5000 exp(-0.3 x 2.5747) = 2309 h, or 96.2 days."""
    path = tmp_path / "chip.toml"
    path.write_text(CHIP)
    done = CliRunner().invoke(commands, ["fleet", str(path), "--median-cycles", "5000", "--sigma", "0.3"])
    rows = {line[:22].strip(): line[22:].split("  ") for line in done.stdout.splitlines()}
    for name in ('region "set points"', "any block of these"):
        assert next(text.strip() for text in rows[name] if text) == "96.2 days"
    assert done.exit_code == 1
    assert "NOT MET, 1 % have lost their first block by 96.2 days" in done.stdout
