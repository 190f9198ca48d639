"""How long a battery lasts, worked out by hand, and what the figure leaves out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.fat.card.card import Card
from simfs.fat.card.sheet import CardSheet
from simfs.files.card_medium import CardMedium
from simfs.files.flash_medium import FlashMedium
from simfs.files.memory_medium import MemoryMedium
from simfs.flash import NorFlash
from simfs.replay.device.battery import Battery
from simfs.replay.device.clock import NS_PER_DAY, NS_PER_S
from simfs.replay.device.notes import TaskTally
from simfs.replay.device.observer import IDLE_TASK
from simfs.show.notebook import as_html
from simfs.show.rows.battery import battery_lines
from simfs.study.run.battery_life import BatteryLife, battery_life
from tests.support.hand_built import MS, hand_built_run
from tests.support.places import ROOT

CELL = Battery(
    capacity_uah=2_400_000, voltage_mv=3_600, self_discharge_ppm=10_000, sleep_na=3_500, awake_na=4_000_000,
    awake_ns=10 * MS,
)  # fmt: skip

SCENARIO = """\
[chip]
size = "64 KiB"
[battery]
capacity = "250 mAh"
voltage = "3 V"
sleep_current = "2 uA"
awake_current = "5 mA"
awake_time = "8 ms"
self_discharge_percent = 1.5
[run]
duration = "12 h"
[[task]]
name = "gauge"
every = "10 min"
operations = [{ do = "append", file = "/log", size = "30 B" }]
[expect]
battery_min = "2 years"
"""


def life_of(battery: Battery = CELL, **changes: Any) -> BatteryLife:
    found = battery_life(hand_built_run(battery=battery, **changes))
    assert found is not None
    return found


def test_a_battery_lasts_as_long_as_by_hand() -> None:
    """2,400 mAh at 3.6 V are 31,104 J. In a day of 100 operations the flash takes, as `test_energy` works out by hand,
    1,003,257 nJ at work and 33 uW at rest. It is busy for 15.201728 ms (4 programs of 500 us, 3 erases of 50 ms and
    2 reads of 8.64 us, in ten days), so the device is awake for 100 x 10 ms and that: at 4 mA and 3.6 V, 14.4 mW. For
    the rest of the day it takes 12.6 uW. In a year of 365.25 days the battery loses 311.04 J."""
    life = life_of()
    assert life.capacity_nj == 31_104 * 10**9
    assert (life.operations_per_day, life.waits_per_day_ns) == (100, 15_201_728)
    assert life.awake_per_day_ns == 1_015_201_728
    assert life.medium_per_day_nj == 1_003_257 + 33_000 * 86_400 == 2_852_203_257
    assert life.awake_per_day_nj == 14_618_904  # 14.4 mW for 1.015201728 s
    assert life.asleep_per_day_nj == 1_088_627_208  # 12.6 uW for 86,398.984798272 s
    assert life.self_discharge_per_day_nj == 851_581_108  # 311.04 J / 365.25
    assert life.per_day_nj == 4_807_030_477
    assert life.life_days == pytest.approx(6_470.52, abs=0.005)  # 31,104 J / 4.807030477 J
    assert life.medium_share == pytest.approx(0.59334, abs=0.00001)
    assert life.not_counted == ()


def test_what_nobody_gave_is_named_and_not_taken_for_nothing() -> None:
    life = life_of(Battery(capacity_uah=2_400_000, voltage_mv=3_600))
    assert life.not_counted == ("self_discharge_percent", "sleep_current", "awake_current", "awake_time")
    assert (life.awake_per_day_nj, life.asleep_per_day_nj, life.self_discharge_per_day_nj) == (None, None, None)
    assert life.per_day_nj == life.medium_per_day_nj
    notes = {figure: note for figure, _, note in battery_lines(life)}
    assert notes["battery lasts"].startswith("at most: ")
    assert notes["! not counted"].startswith("self_discharge_percent, sleep_current, awake_current, awake_time: ")
    assert "  device awake" not in notes
    assert "! not counted" not in {figure for figure, _, _ in battery_lines(life_of())}


def test_a_given_zero_is_counted() -> None:
    life = life_of(Battery(2_400_000, 3_600, 0, 0, 0, 0))
    assert life.not_counted == ()
    assert (life.awake_per_day_nj, life.asleep_per_day_nj, life.self_discharge_per_day_nj) == (0, 0, 0)


def test_a_device_is_awake_for_a_day_at_most() -> None:
    life = life_of(Battery(2_400_000, 3_600, None, 3_500, 4_000_000, 3600 * NS_PER_S))
    assert life.awake_per_day_ns == NS_PER_DAY
    assert life.asleep_per_day_nj == 0


def test_idle_work_of_the_store_wakes_nobody() -> None:
    tally = TaskTally("gauge")
    tally.operations["append"] = 50
    idle = TaskTally(IDLE_TASK)
    idle.operations["clean ahead"] = 500
    assert life_of(tasks={"gauge": tally, IDLE_TASK: idle}).operations_per_day == 5


def test_a_run_of_less_than_an_hour_has_no_pace() -> None:
    assert battery_life(hand_built_run(battery=CELL, duration_ns=3_599 * NS_PER_S)) is None
    assert battery_life(hand_built_run()) is None


@pytest.mark.parametrize(
    ("sources", "rest"),
    [
        (FlashMedium(NorFlash.part("IS25LP080D", block_count=4)).current_sources(), "IS25LP080D Rev B4"),
        (CardMedium(Card(64), 0, 0).current_sources(), "common practice, no source"),
        (CardMedium(Card(64, CardSheet(standby_ua=90)), 0, 0).current_sources(), "the scenario"),
        (CardMedium(Card(64, CardSheet(standby_ua=0)), 0, 0).current_sources(), None),
        (MemoryMedium(100).current_sources(), None),
    ],
    ids=["part", "card", "card of one's own", "no figure", "memory"],
)
def test_the_currents_of_a_medium_have_their_sources(sources: Mapping[str, str], rest: str | None) -> None:
    assert (rest in sources["rest"]) if rest else not sources.get("rest")


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, list(map(str, words)))


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "gauge.toml"
    path.write_text(SCENARIO)
    return path


def test_a_missing_current_of_the_chip_is_named(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('size = "64 KiB"\n', 'size = "64 KiB"\nstandby_ua = 0\n'))
    report = " ".join(invoke("run", scenario).stdout.split())
    assert "! not counted the current of the flash, rest: no figure is given, so the battery lasts shorter" in report
    assert "flash currents program, erase, read: invented: a plain serial NOR in round figures" in report


def test_the_report_json_and_a_notebook_have_it(scenario: Path) -> None:
    report = invoke("run", scenario)
    assert "Battery battery lasts" in " ".join(report.stdout.split())
    assert "not modelled temperature, ageing, peak currents, losses of a converter" in " ".join(report.stdout.split())
    told = json.loads(invoke("run", scenario, "--json").stdout)["battery"]
    assert (told["capacity_uah"], told["voltage_mv"], told["operations_per_day"]) == (250_000, 3_000, 144)
    assert told["life_days"] == pytest.approx(told["life_ns"] / NS_PER_DAY)
    assert told["not_modelled"] == ["temperature", "ageing", "peak currents", "losses of a converter"]
    assert "battery lasts" in (as_html(hand_built_run(battery=CELL)) or "")
    without = invoke("run", ROOT / "scenarios" / "breaking_names.toml", "--json").stdout
    assert "battery" not in json.loads(without)


@pytest.mark.parametrize(("wanted", "status"), [("2 years", 0), ("200 years", 1)])
def test_it_may_be_expected(scenario: Path, wanted: str, status: int) -> None:
    scenario.write_text(SCENARIO.replace("2 years", wanted))
    done = invoke("run", scenario)
    assert done.exit_code == status
    assert ("! NOT MET" in done.stdout) == bool(status)


def test_a_comparison_has_it(scenario: Path) -> None:
    done = invoke("compare", scenario, "--with", "battery.sleep_current=20uA")
    assert done.exit_code == 1
    assert "! battery lasts" in " ".join(done.stdout.split())
    assert "* share of flash or card in it" in " ".join(done.stdout.split())


def test_a_recording_on_the_device_of_a_scenario_has_it(scenario: Path, tmp_path: Path) -> None:
    log = tmp_path / "day.log"
    log.write_text(
        "@fs1 0 0 boot 00f09e02\n@fs1 1 0 open 0 a /tide.csv 5b8fc3b0\n"
        "@fs1 2 0 write 0 11 30363a30302c322e34310a 33aa4438\n@fs1 3 0 close 0 e6e9b4c3\n"
    )
    done = invoke("run", log, "--device", scenario, "--for", "1d", "--json")
    assert done.exit_code == 2  # its work takes no time
    log.write_text(log.read_text() + "@fs1 4 43200000 open 0 a /tide.csv 12c8b73a\n")
    told = json.loads(invoke("run", log, "--device", scenario, "--json").stdout)
    assert told["battery"]["operations_per_day"] > 0
    assert [one["met"] for one in told["expectations"] if one["name"] == "battery_min"] == [True]


@pytest.mark.parametrize(
    ("old", "new", "place", "right"),
    [
        ('"250 mAh"', '"250 mA"', "battery.capacity", "units are uAh, mAh, Ah"),
        ('"250 mAh"', "250", "battery.capacity", "write a charge as text with its unit"),
        ('"2 uA"', '"2 mAh"', "battery.sleep_current", "units are nA, uA, mA, A"),
        ('"3 V"', '"0 V"', "battery.voltage", "write 1 mV to 100 V"),
        ("= 1.5", "= 101", "battery.self_discharge_percent", "at most 100"),
        ('capacity = "250 mAh"\n', "", "battery.capacity", "it is missing"),
        ("[battery]", "[batery]", "batery", "did you mean battery"),
    ],
)
def test_what_is_wrong_in_the_table_is_one_line(scenario: Path, old: str, new: str, place: str, right: str) -> None:
    scenario.write_text(SCENARIO.replace(old, new))
    done = invoke("run", scenario)
    assert done.exit_code == 2
    assert any(f": {place}: " in line and right in line for line in done.stderr.splitlines()), done.stderr


def test_nothing_is_expected_of_a_battery_that_is_not_there(scenario: Path) -> None:
    table, rest = SCENARIO.partition("[battery]")[0], SCENARIO.partition("[run]")[2]
    scenario.write_text(f"{table}[run]{rest}")
    done = invoke("run", scenario)
    assert done.exit_code == 2
    assert ":10: expect.battery_min: no table [battery] says what the device runs from" in done.stderr
