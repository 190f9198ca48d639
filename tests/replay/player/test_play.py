"""Playing scenarios: what is due when, what is written, what is rotated away, and that the seed decides everything."""

from collections import Counter
from itertools import islice, pairwise
from textwrap import dedent

import pytest

from simfs.flash import Rng
from simfs.replay.device.clock import NS_PER_DAY, NS_PER_MS, NS_PER_S, moment
from simfs.replay.play import play, replay
from simfs.replay.player.player import due_times, triggers
from simfs.replay.scenario.load import parse_scenario
from simfs.replay.scenario.tasks import Task

DAY = """
[chip]
size = "256 KiB"
[run]
start = 2031-04-05
duration = "1 d"
"""


def scenario_of(tasks, head=DAY):
    return parse_scenario((head + dedent(tasks)).encode(), "plan.toml")


def played(tasks, head=DAY, progress=None, plain=False):
    return play(scenario_of(tasks, head), "plan.toml", progress, plain=plain)


def contents(run, name):
    with run.store.open(name) as file:
        return file.read()


def times(start_ns=0, most=1000, **table):
    task = Task.model_validate({"name": "t", "operations": [{"do": "list"}], **table})
    return list(islice(due_times(task, triggers(task, start_ns), Rng(1, "when")), most))


def test_every_and_first():
    assert times(500, 3, every="6 min", first="10 s") == [500 + (10 + 360 * run) * NS_PER_S for run in range(3)]


def test_daily_times_begin_with_the_next_one():
    start_ns = moment(9999, 12, 31, 12)
    assert times(start_ns, 3, daily=["18:00", "03:00"]) == [
        moment(9999, 12, 31, 18),
        moment(10000, 1, 1, 3),
        moment(10000, 1, 1, 18),
    ]
    assert times(start_ns, 1, daily="12:00") == [start_ns]


def test_jitter_delays_each_run_from_its_own_time():
    due = times(0, 200, every="1 min", jitter="10 s")
    late = [at - 60 * NS_PER_S * run for run, at in enumerate(due)]
    assert 0 <= min(late) < NS_PER_S
    assert 9 * NS_PER_S < max(late) <= 10 * NS_PER_S


def test_bursts_have_their_counts_and_gaps():
    hour_ns = 3600 * NS_PER_S
    due = times(0, 2000, every="1 h", burst={"count": [3, 6], "gap": "100 ms", "jitter": "50 ms"})
    sizes = Counter(at // hour_ns for at in due)
    del sizes[max(sizes)]
    assert set(sizes.values()) == {3, 4, 5, 6}
    gaps = {b - a for a, b in pairwise(due) if b // hour_ns == a // hour_ns}
    assert min(gaps) >= 100 * NS_PER_MS
    assert max(gaps) <= 150 * NS_PER_MS
    assert len(gaps) > 100


def test_a_day_of_readings_is_written_as_the_scenario_says():
    run = played("""
        [values.level]
        mean = 2.5
        decimals = 1
        [[task]]
        name = "gauge"
        every = "6 min"
        operations = [{ do = "append", file = "/tide/{date}.csv", text = "{time},{level}\\n" }]
    """)
    lines = contents(run, "/tide/2031-04-05.csv").decode().splitlines()
    assert len(lines) == 240
    assert (lines[0], lines[1], lines[-1]) == ("00:00:00,2.5", "00:06:00,2.5", "23:54:00,2.5")
    assert run.store.names() == ["/tide/2031-04-05.csv"]
    assert run.duration_ns == NS_PER_DAY
    assert run.tasks["gauge"].host_bytes == 240 * 13
    assert run.refusals == run.name_faults == []
    assert run.kind == "scenario"


def test_the_newest_files_are_kept_by_date_even_into_a_fifth_digit_of_the_year():
    run = played(
        """
        [[task]]
        name = "log"
        every = "8 h"
        operations = [{ do = "append", file = "/log/{day}.{month}.{year}", size = "10 B", keep = 3 }]
        """,
        DAY.replace("2031-04-05", '"9999-12-28"').replace("1 d", "7 d"),
    )
    assert run.store.names() == ["/log/01.01.10000", "/log/02.01.10000", "/log/03.01.10000"]
    assert run.tasks["log"].operations["remove"] == 4
    assert run.tasks["log"].operations["list"] == 7, "names are looked at once for each new file"


def test_rotation_leaves_other_files_alone():
    run = played(
        """
        [[task]]
        name = "other"
        at_boot = true
        operations = [
            { do = "create", file = "/log/readme" }, { do = "create", file = "/log/7.txt.bak" },
            { do = "create", file = "/log/1.txt" },
        ]
        [[task]]
        name = "log"
        every = "1 h"
        counter_every = 2
        operations = [{ do = "append", file = "/log/{counter}.txt", size = "10 B", keep = 2 }]
        """
    )
    assert run.store.names() == ["/log/10.txt", "/log/11.txt", "/log/7.txt.bak", "/log/readme"]
    assert run.store.stat("/log/11.txt").size_bytes == 20


def test_every_operation():
    run = played("""
        [[task]]
        name = "all"
        every = "1 d"
        operations = [
            { do = "create", file = "/a", text = "0123456789" },
            { do = "create", file = "/a" },
            { do = "update", file = "/a", at = "2 B", text = "xy" },
            { do = "append", file = "/a", text = "!", repeat = 3 },
            { do = "write", file = "/b", text = "old" },
            { do = "write", file = "/b", text = "new", only_if = "absent" },
            { do = "rename", file = "/b", to = "/{date}.b" },
            { do = "truncate", file = "/a", size = "12 B" },
            { do = "read", file = "/a" },
            { do = "read", file = "/c", only_if = "present" },
            { do = "list", prefix = "/" },
            { do = "create", file = "/gone" },
            { do = "remove", file = "/gone" },
        ]
    """)
    assert run.store.names() == ["/2031-04-05.b", "/a"]
    assert contents(run, "/a") == b"01xy456789!!"
    assert contents(run, "/2031-04-05.b") == b"old"
    (refusal,) = run.refusals
    assert (refusal.operation, refusal.name, refusal.error, refusal.count) == ("create", "/a", "EEXIST", 1)
    assert run.tasks["all"].operations == Counter(
        {
            "create": 3,
            "update": 1,
            "append": 3,
            "write": 1,
            "rename": 1,
            "truncate": 1,
            "read": 1,
            "list": 1,
            "remove": 1,
        }
    )


def test_updates_go_around_a_ring():
    run = played("""
        [[task]]
        name = "ring"
        at_boot = true
        operations = [{ do = "create", file = "/ring", text = "----------" }]
        [[task]]
        name = "next"
        every = "1 h"
        until = { runs = 4 }
        operations = [{ do = "update", file = "/ring", text = "{counter}aa" }]
    """)
    assert contents(run, "/ring") == b"3aa1aa2aa-"


def test_updates_anywhere_stay_in_their_slots():
    run = played("""
        [[task]]
        name = "ring"
        at_boot = true
        operations = [{ do = "create", file = "/ring", text = "...................." }]
        [[task]]
        name = "any"
        every = "10 min"
        operations = [{ do = "update", file = "/ring", text = "abcd", at = "any" }]
    """)
    assert contents(run, "/ring") == b"abcd" * 5


def test_yesterdays_file():
    run = played(
        """
        [[task]]
        name = "log"
        daily = "12:00"
        operations = [
            { do = "append", file = "/{date}", text = "x" },
            { do = "read", file = "/{date}", back = "1 d" },
            { do = "remove", file = "/{date}", back = "24 h" },
        ]
        """,
        DAY.replace("1 d", "3 d"),
    )
    assert run.store.names() == ["/2031-04-07"]
    assert [(refusal.operation, refusal.count) for refusal in run.refusals] == [("read", 1), ("remove", 1)]


def test_sizes_are_drawn_between_their_bounds_from_the_seed():
    tasks = """
        [[task]]
        name = "log"
        every = "1 min"
        operations = [{ do = "write", file = "/{counter}", size = ["3 B", "9 B"], keep = 150 }]
    """
    run, again = played(tasks), played(tasks)
    other = played(tasks, DAY + "seed = 9\n")
    sizes = Counter(run.store.stat(name).size_bytes for name in run.store.names())
    assert set(sizes) == {3, 4, 5, 6, 7, 8, 9}
    assert run.flash.image() == again.flash.image()
    assert run.flash.image() != other.flash.image()
    assert len({contents(run, name) for name in run.store.names()}) > 140


@pytest.mark.parametrize(
    ("until", "runs"),
    [
        ("runs = 5", 5),
        ('after = "3 h"', 4),
        ("refusals = 2", 3),
        ("live_percent = 50.0", None),
    ],
)
def test_a_task_ends_when_its_condition_holds(until, runs):
    run = played(f"""
        [[task]]
        name = "fill"
        every = "1 h"
        until = {{ {until} }}
        operations = [{{ do = "create", file = "/one" }}, {{ do = "append", file = "/x", size = "16 KiB" }}]
    """)
    done = run.tasks["fill"].operations["append"]
    usage = run.store.usage()
    if runs is None:
        assert 50 <= usage.live_bytes * 100 / usage.capacity_bytes < 60
    else:
        assert done == runs


def test_a_boot_runs_the_tasks_at_boot_before_all_that_waits_and_loses_no_file():
    run = played(
        """
        [[task]]
        name = "watchdog"
        daily = ["06:00", "18:00"]
        operations = [{ do = "append", file = "/bites", text = "x" }, { do = "boot" }]
        [[task]]
        name = "log"
        every = "6 h"
        operations = [{ do = "append", file = "/log", text = "{boot} {hour}, " }]
        [[task]]
        name = "boot"
        at_boot = true
        operations = [{ do = "append", file = "/log", text = "boot {boot}, " }]
        """,
    )
    assert contents(run, "/log") == b"boot 0, 0 00, boot 1, 1 06, 1 12, boot 2, 2 18, "
    assert contents(run, "/bites") == b"xx"
    assert [round(boot.at_ns / NS_PER_S / 3600, 1) for boot in run.boots] == [6, 18, 24]
    assert run.store.meters.host_bytes == 3 * 8 + 4 * 6 + 2


def test_a_read_waits_for_the_flash():
    run = played("""
        [[task]]
        name = "log"
        every = "1 h"
        operations = [{ do = "append", file = "/log", size = "4 KiB" }]
        [[task]]
        name = "display"
        every = "1 h"
        operations = [{ do = "read", file = "/log", size = "10 B" }, { do = "read", file = "/log", size = "10 B" }]
    """)
    assert run.held.count == 24
    assert run.held.behind == "log: append"
    assert run.held.longest_ns >= 16 * run.flash.datasheet.program_typ_ns


def test_a_device_that_is_due_more_than_it_can_do_ends_all_the_same():
    run = played(
        """
        [[task]]
        name = "log"
        every = "1 ms"
        operations = [{ do = "write", file = "/state", size = "500 B" }]
        """,
        DAY.replace("1 d", "500 ms"),
    )
    assert run.tasks["log"].operations["write"] == 500
    assert run.duration_ns > 500 * NS_PER_MS


def test_names_that_break_are_found():
    run = played(
        """
        [[task]]
        name = "log"
        every = "12 h"
        operations = [{ do = "append", file = "/a-long-name-{hour}", text = "x" }]
        """,
        DAY + '[store]\nname_bytes = 10\noverlong = "cut"\n',
    )
    assert [fault.name for fault in run.name_faults] == ["/a-long-name-00", "/a-long-name-12", "/a-long-name-12"]
    assert contents(run, "/a-long-n") == b"xx"
    assert run.store.meters.names_cut > 0


@pytest.mark.parametrize(("plain", "least"), [(True, 100), (False, 5)])
def test_progress_is_reported_and_ends_with_the_whole(plain, least):
    told = []
    played(
        """
        [[task]]
        name = "log"
        every = "1 min"
        operations = [{ do = "append", file = "/log", text = "x" }]
        """,
        progress=lambda done_ns, total_ns: told.append((done_ns, total_ns)),
        plain=plain,
    )
    assert told == sorted(told)
    assert told[-1] == (NS_PER_DAY, NS_PER_DAY)
    assert least < len(told) <= 201


def test_a_scenario_is_read_and_played_from_its_file(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(DAY + '[[task]]\nname = "t"\nat_boot = true\noperations = [{ do = "create", file = "/a" }]\n')
    run = replay(path)
    assert (run.title, run.source) == ("plan", str(path))
    assert run.store.names() == ["/a"]
