"""To the end of a device's life: the same by the fast path as by the plain one, and as what a run of that length says."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfs.replay.clock import NS_PER_DAY, NS_PER_YEAR
from simfs.replay.play import play
from simfs.replay.reading import parse_scenario
from simfs.replay.scenario import Scenario
from simfs.study.endlife import EndOfLife, end_of_life

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
    assert sum(fast.block_erases_by_task.values()) == 12 == fast.erase_counts[fast.block]
    assert sum(fast.erases_by_task.values()) == fast.erases == sum(fast.erase_counts)
    assert fast.task == "gauge"


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
    assert projected.simulated_ns < 0.3 * exact.simulated_ns < NS_PER_YEAR
