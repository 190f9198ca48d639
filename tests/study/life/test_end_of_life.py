"""To the end of a device's life: skipping whole periods, and the fast path, end like one operation after the other."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfs.replay.batch.dated_names import DatedNames, obstacle
from simfs.replay.batch.periods import PeriodFinder
from simfs.replay.batch.player import FastPlayer
from simfs.replay.device.clock import NS_PER_DAY, days_before
from simfs.replay.device.device import Device
from simfs.replay.play import make_store, play
from simfs.replay.scenario.load import load_scenario, parse_scenario
from simfs.replay.scenario.tables import Scenario
from simfs.study.life.end_of_life import EndOfLife, end_of_life
from tests.support.places import SCENARIOS

HEAD = """
[chip]
size = "48 KiB"
rated_cycles = 12
[run]
start = 9999-12-20
duration = "1 d"
"""
GAUGE = """
[[task]]
name = "gauge"
every = "5 min"
operations = [{ do = "append", file = "/log/{date}.csv", size = "40 B", keep = 1 }]
[[task]]
name = "settings"
every = "2 h"
operations = [{ do = "write", file = "/settings", size = "90 B" }]
"""
FILLING = """
[[task]]
name = "hoarder"
every = "5 min"
operations = [{ do = "append", file = "/log", size = "40 B" }]
"""


def device(tasks: str, head: str = HEAD) -> Scenario:
    return parse_scenario((head + tasks).encode(), "device.toml")


def told(life: EndOfLife) -> EndOfLife:
    """Without how it was found."""
    return replace(life, simulated_ns=0, skipped_ns=0, skipped_periods=0, period_ns=0)


def test_the_fast_path_ends_like_the_plain_one() -> None:
    plain, fast = end_of_life(device(GAUGE), plain=True), end_of_life(device(GAUGE))
    assert told(plain) == told(fast)
    assert (fast.end, fast.cycles, fast.limit_cycles, fast.until) == ("rated", 12, 12, "rated")
    assert fast.past_year_9999
    assert fast.clock.startswith("10000-01-")
    assert fast.block is not None
    assert fast.erase_counts[fast.block] == 12
    # The first erase of the first block came with the store.
    assert sum(fast.block_erases_by_task.values()) == 12 - (fast.block == 0)
    assert sum(fast.erases_by_task.values()) == fast.erases == sum(fast.erase_counts) - 1
    assert fast.task == "gauge"


OFFICE = """
[[task]]
name = "office"
daily = "02:00"
operations = [{ do = "read", file = "/log/{date}.csv", back = "1 d", only_if = "present" }]
"""
WATCHDOG = """
[[task]]
name = "watchdog"
daily = "03:00"
operations = [{ do = "boot" }]
"""
RENAMER = """
[[task]]
name = "settings"
every = "1 h"
operations = [{ do = "write", file = "/new", text = "{date} {time}" }, { do = "rename", file = "/new", to = "/old" }]
"""
READINGS = """
[values.level]
mean = 500
noise = 400
""" + GAUGE.replace('size = "40 B"', 'text = "{date} {time} {level} and still rising"')
HOURS = GAUGE.replace("{date}", "{year}{month}{day}-{hour}").replace("keep = 1", "keep = 30")
STORES = {
    "greedy": "",
    "oldest first": 'cleaner = "oldest-first"',
    "cost-benefit": 'cleaner = "cost-benefit"\nlog_heads = 2',
    "pages": 'packing = "page"',
    "idle": "idle_cleaning = true",
    "no levelling": "level_threshold = 0",
}
DEVICES = {
    "gauge": GAUGE, "read": GAUGE + OFFICE, "boots": GAUGE + WATCHDOG, "renamed": RENAMER, "hours": HOURS,
    "readings": READINGS,
}  # fmt: skip


def both_ways(tasks: str, store: str, cycles: int, start: str) -> EndOfLife:
    """The end of a life with all periods skipped, which is that of a life lived operation by operation."""
    head = HEAD.replace("[run]", f"[store]\n{store}\n[run]").replace("= 12", f"= {cycles}")
    scenario = device(tasks, head.replace("9999-12-20", start))
    skipping = end_of_life(scenario)
    assert told(skipping) == told(end_of_life(scenario, plain=True))
    assert skipping.skipped_ns == skipping.skipped_periods * skipping.period_ns
    return skipping


@pytest.mark.parametrize(
    ("tasks", "start"),
    [("gauge", "2031-03-01"), ("read", "9999-12-20"), ("renamed", "2031-03-01"), ("readings", "2031-03-01")],
)
def test_skipped_periods_change_nothing(tasks: str, start: str) -> None:
    assert both_ways(DEVICES[tasks], "", 36, start).skipped_periods > 0


def test_a_period_is_found_when_it_has_passed_once() -> None:
    life = both_ways(GAUGE, "", 60, "2031-03-01")
    assert life.skipped_periods > 0
    assert life.simulated_ns < 2 * life.period_ns


class Looking(FastPlayer):
    """Looks for periods at midnight, and skips none."""

    def __init__(self, scenario: Scenario) -> None:
        super().__init__(scenario, Device(make_store(scenario), start_ns=scenario.run.start))
        self.finder = PeriodFinder(self, scenario, lambda: None)
        self.pause_ns = self.device.start_ns

    def pause(self) -> None:
        self.finder.look(self.pause_ns // NS_PER_DAY)
        self.pause_ns += NS_PER_DAY


def test_no_day_is_waited_for_that_had_a_shorter_date() -> None:
    player = Looking(device(GAUGE, HEAD.replace('"1 d"', '"24 d"')))
    player.play(None)
    marks = [kept.day for kept in player.finder._marks.values()]
    assert marks
    assert min(marks) >= days_before(10_000, 1, 1)


def test_skipped_periods_change_nothing_with_two_heads() -> None:
    assert both_ways(GAUGE, STORES["cost-benefit"], 24, "2031-03-01").end == "rated"


@pytest.mark.slow
@pytest.mark.parametrize("start", ["2031-03-01", "9999-12-20"])
@pytest.mark.parametrize("tasks", DEVICES)
def test_skipped_periods_change_nothing_over_thousands_of_erases(tasks: str, start: str) -> None:
    assert both_ways(DEVICES[tasks], "", 400, start).skipped_periods > 0


@pytest.mark.slow
@pytest.mark.parametrize("store", STORES)
def test_skipped_periods_change_nothing_in_any_store(store: str) -> None:
    both_ways(GAUGE + OFFICE, STORES[store], 150, "2031-03-01")


@pytest.mark.slow
def test_skipped_periods_change_nothing_to_ten_thousand_cycles() -> None:
    assert both_ways(GAUGE, "", 2000, "2031-03-01").skipped_periods > 100


def test_a_device_that_wears_nothing_lives_for_ever() -> None:
    life = end_of_life(device('[[task]]\nname = "idler"\nevery = "1 h"\noperations = [{ do = "list" }]'))
    assert (life.end, life.at_ns, life.erases, life.why_never) == ("never", None, 0, "idle")


@pytest.mark.parametrize("name", ["/{counter}", "/{date}", "/all"])
@pytest.mark.parametrize("project", [False, True])
def test_a_store_that_stays_full_is_never_worn(name: str, project: bool) -> None:
    task = f'[[task]]\nname = "t"\nevery = "1 h"\noperations = [{{ do = "append", file = "{name}", size = "3 KiB" }}]'
    life = end_of_life(device(task), project=project)
    full = end_of_life(device(task), until="full")
    assert (life.end, life.at_ns, life.why_never) == ("never", None, "full")
    assert (life.full_ns, life.operation, life.name) == (full.at_ns, full.operation, full.name)


def test_a_store_that_refuses_some_of_what_is_written_wears_on() -> None:
    fill = 'operations = [{ do = "create", file = "/{counter}", size = "60 KiB" }]'
    state = 'operations = [{ do = "write", file = "/set", size = "900 B" }]'
    tasks = f'[[task]]\nname = "set"\nevery = "1 h"\n{state}\n[[task]]\nname = "t"\nevery = "1 h"\n{fill}'
    assert end_of_life(device(tasks)).end == "rated"


@pytest.mark.parametrize(
    ("operation", "why"),
    [
        ('{ do = "append", file = "/a", size = ["1 B", "9 B"] }', "lengths that it writes are random"),
        ('{ do = "append", file = "/a", text = "{level}" }', "depend on readings"),
        ('{ do = "append", file = "/{month}.csv", size = "9 B" }', "does not tell the day"),
        ('{ do = "append", file = "/{counter}.csv", size = "9 B" }', "counts"),
        ('{ do = "update", file = "/a", size = "9 B" }', "where it updates"),
    ],
)
def test_what_stands_against_a_period_is_said(operation: str, why: str) -> None:
    values = "[values.level]\nmean = 1\nnoise = 9\n"
    task = f'[[task]]\nname = "t"\nevery = "1 h"\noperations = [{operation}]'
    assert why in obstacle(device(task + "\n" + values))
    assert obstacle(device(GAUGE + OFFICE)) == ""


def test_names_move_with_the_day_that_they_tell() -> None:
    names = DatedNames(device(GAUGE + HOURS.replace('"gauge"', '"hours"').replace('"settings"', '"more"')))
    today = days_before(2031, 3, 1)
    assert names.moved(b"/log/2031-02-28.csv", 365) == b"/log/2032-02-28.csv"
    assert names.moved(b"/log/20310228-05.csv", 2) == b"/log/20310302-05.csv"
    assert names.moved(b"/log/2031-02-30.csv", 2) == b"/log/2031-02-30.csv"
    assert names.moved(b"/settings", 2) == b"/settings"
    assert names.relative(b"/log/2031-02-28.csv", today) == names.relative(b"/log/2032-02-28.csv", today + 365)
    assert names.relative(b"/log/20310228-05.csv", today) != names.relative(b"/log/20310228-06.csv", today)


def test_a_run_up_to_that_operation_has_not_worn_the_block_and_one_beyond_it_has() -> None:
    scenario = device(GAUGE)
    life = end_of_life(scenario)
    assert life.at_ns is not None
    assert life.block is not None
    for duration_ns, erases in ((life.at_ns, 11), (life.at_ns + 1, 12)):
        length = scenario.run.model_copy(update={"duration": duration_ns})
        run = play(scenario.model_copy(update={"run": length}), "device.toml", plain=True)
        assert run.flash.erase_counts[life.block] == erases
        assert max(run.flash.erase_counts) == erases


def test_true_limits_end_the_life_of_the_block_that_reaches_its_own() -> None:
    limits = [9 if block == 7 else 100 for block in range(12)]
    life = end_of_life(device(GAUGE), until="limit", limits=limits)
    assert (life.end, life.block, life.cycles, life.limit_cycles) == ("limit", 7, 9, 9)
    with pytest.raises(ValueError, match="one for each of 12 blocks"):
        end_of_life(device(GAUGE), until="limit", limits=limits[1:])


def test_a_full_store_ends_it_with_the_first_refused_write() -> None:
    life = end_of_life(device(FILLING), until="full")
    assert (life.end, life.task, life.operation, life.name) == ("full", "hoarder", "append", "/log")
    assert told(life) == told(end_of_life(device(FILLING), until="full", plain=True))
    assert end_of_life(device(GAUGE), until="full").end == "rated"


def test_it_is_given_up_in_the_end() -> None:
    life = end_of_life(device(GAUGE), max_ns=NS_PER_DAY)
    assert (life.end, life.at_ns, life.block, life.simulated_ns) == ("never", None, None, NS_PER_DAY)


def test_a_projection_is_near_the_exact_end() -> None:
    head = HEAD.replace("= 12", "= 150")
    exact, projected = end_of_life(device(GAUGE, head)), end_of_life(device(GAUGE, head), project=True)
    assert exact.at_ns is not None
    assert projected.at_ns is not None
    assert not projected.exact
    assert abs(projected.at_ns - exact.at_ns) < 0.05 * exact.at_ns
    assert projected.simulated_ns < 0.3 * exact.at_ns


def test_a_projection_of_records_that_are_updated_in_place() -> None:
    """No block rests for good, though most of what is cleaned is dead."""
    scenario, limits = load_scenario(SCENARIOS / "ring_buffer.toml"), [18] * 32
    exact, projected = (end_of_life(scenario, until="limit", limits=limits, project=quick) for quick in (False, True))
    assert exact.at_ns is not None
    assert projected.at_ns is not None
    assert min(exact.erase_counts) > 15
    assert abs(projected.at_ns - exact.at_ns) < 0.02 * exact.at_ns
