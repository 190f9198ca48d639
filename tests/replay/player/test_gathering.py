"""Records that the firmware gathers in its own RAM: what is written when, and what a reset leaves of them."""

from __future__ import annotations

from textwrap import dedent

import pytest

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.device.device import Run
from simfs.replay.play import play
from simfs.replay.scenario.load import parse_scenario
from simfs.show.text import as_text
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from tests.replay.batch.test_batches import outcomes
from tests.study.life.test_end_of_life import both_ways

DAYS = """
[chip]
size = "256 KiB"
[run]
start = 2031-04-05
duration = "2 d"
"""


def played(tasks: str, head: str = DAYS) -> Run:
    return play(parse_scenario((head + dedent(tasks)).encode(), "plan.toml"), "plan.toml")


def contents(run: Run, name: str) -> bytes:
    with run.store.open(name) as file:
        return bytes(file.read() or b"")


GAUGE = """
[[task]]
name = "gauge"
every = "5 h"
operations = [{ do = "append", file = "/{day}", text = "{day}.{hour} ", gather = 3 }]
"""


def test_records_are_written_together_and_those_of_a_day_go_before_the_next_ones() -> None:
    run = played(GAUGE)
    assert contents(run, "/05") == b"05.00 05.05 05.10 05.15 05.20 "
    assert contents(run, "/06") == b"06.01 06.06 06.11 "
    gauge = run.tasks["gauge"]
    assert gauge.operations == {"append": 3}
    assert gauge.host_bytes == 8 * 6
    assert (gauge.lost_records, gauge.waiting_records) == (0, 2), "of 16:00 and 21:00 on the second day"
    assert run.writes.count == 3


def test_those_of_yesterday_are_written_with_the_first_one_of_today() -> None:
    run = played(GAUGE.replace("gather = 3", "gather = 99"))
    assert run.store.names() == ["/05"]
    assert run.writes.longest is not None
    assert run.writes.longest.at_ns == 25 * 3600 * 10**9


def test_a_boot_loses_what_every_task_has_gathered() -> None:
    run = played("""
        [[task]]
        name = "gauge"
        every = "1 h"
        operations = [
            { do = "append", file = "/a", text = "{hour} ", gather = 5 },
            { do = "append", file = "/b", text = "{hour} ", gather = 2 },
        ]
        [[task]]
        name = "silent"
        every = "1 h"
        until = { runs = 1 }
        operations = [{ do = "append", file = "/c", text = "x", gather = 2 }]
        [[task]]
        name = "watchdog"
        daily = "06:30"
        operations = [{ do = "boot" }]
    """)
    kept = [*range(5), *range(7, 27), *range(31, 46)]
    assert contents(run, "/a") == b"".join(b"%02d " % (hour % 24) for hour in kept)
    kept = [*range(6), *range(7, 31), *range(31, 47)]
    assert contents(run, "/b") == b"".join(b"%02d " % (hour % 24) for hour in kept)
    assert run.tasks["gauge"].lost_records == (2 + 1) + (4 + 0), "at 06:30, at 30:30"
    assert run.tasks["gauge"].waiting_records == 2 + 1, "at the end"
    assert (run.tasks["silent"].lost_records, run.tasks["silent"].operations.total()) == (1, 0)
    trouble = figures(run).trouble
    assert (trouble.lost_records, trouble.waiting_records) == (8, 3)
    text = as_text(figures(run), ())
    assert "! lost in RAM" in text
    assert "  waits in RAM" in text
    (unmet,) = judge(run, figures(run))
    assert (unmet.name, unmet.measured, unmet.by_default) == ("lost_records_max", 8, True)


def test_nothing_is_said_where_nothing_is_lost() -> None:
    run = played(GAUGE.replace("gather = 3", "gather = 1"))
    assert "in RAM" not in as_text(figures(run), ())
    assert judge(run, figures(run)) == ()


def test_old_files_go_when_a_new_one_is_written_not_when_its_first_record_is_gathered() -> None:
    run = played("""
        [[task]]
        name = "gauge"
        every = "1 h"
        counter_every = 4
        operations = [{ do = "append", file = "/{counter:2}", size = "10 B", gather = 3, keep = 1 }]
        [[task]]
        name = "look"
        every = "1 h"
        first = "5 h"
        until = { runs = 1 }
        operations = [{ do = "rename", file = "/00", to = "/first" }]
    """)
    assert not run.refusals
    assert run.store.names() == ["/11", "/first"]
    assert run.store.stat("/11").size_bytes == 30
    assert run.tasks["gauge"].waiting_records == 1


def test_records_that_the_store_refuses_count_as_one_operation() -> None:
    run = played(GAUGE.replace('"/{day}"', f'"/{"x" * 60}"'))
    (refusal,) = run.refusals
    assert (refusal.error, refusal.count) == ("ENAMETOOLONG", 3)
    assert run.tasks["gauge"].refused == 3
    assert run.tasks["gauge"].waiting_records == 1, "ten records, nine of them refused"


@pytest.mark.parametrize("gather", ["2", "7", "1000"])
def test_the_fast_path_comes_out_the_same(gather: str) -> None:
    """A task that gathers stands beside one that does not."""
    tasks = """
        [[task]]
        name = "plain"
        every = "41 s"
        operations = [{ do = "append", file = "/plain-{hour}", size = "20 B", keep = 2 }]
        [[task]]
        name = "gathering"
        every = "3 min"
        operations = [{ do = "append", file = "/log/{date}", text = "{time},{counter}\\n", gather = 7, keep = 1 }]
        [[task]]
        name = "watchdog"
        daily = "12:00"
        operations = [{ do = "boot" }]
    """
    head = DAYS.replace("256 KiB", "32 KiB")
    plain, fast = outcomes(head + dedent(tasks).replace("gather = 7", f"gather = {gather}"))
    assert plain == fast


GATHERED = """
[[task]]
name = "gauge"
every = "25 min"
operations = [{ do = "append", file = "/log/{date}.csv", text = "{date} {time}", gather = 9, keep = 1 }]
[[task]]
name = "watchdog"
daily = "03:00"
operations = [{ do = "boot" }]
"""


def test_skipped_periods_change_nothing() -> None:
    """Records wait at midnight; the years get a fifth digit."""
    assert both_ways(GATHERED, "", 24, "9999-12-20").skipped_periods > 0


WAITING = """
[[task]]
name = "settings"
every = "1 h"
operations = [{ do = "write", file = "/settings", size = "300 B" }]
[[task]]
name = "gauge"
daily = "12:00"
operations = [{ do = "append", file = "/log", size = "40 B", gather = 3 }]
[[task]]
name = "office"
daily = "13:00"
operations = [{ do = "remove", file = "/log", only_if = "present" }]
"""


def test_what_waits_at_midnight_is_part_of_the_period() -> None:
    """All days are alike on the flash, until the last record is there that is written with the others."""
    life = both_ways(WAITING, "", 36, "2031-03-01")
    assert life.skipped_periods > 0
    assert life.period_ns % (3 * NS_PER_DAY) == 0
    both_ways(WAITING.replace("gather = 3", "gather = 30"), "", 36, "2031-03-01")
