"""What a scenario says without effect is told with its line, and nothing else is."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfs.replay.scenario.load import load_scenario
from simfs.replay.scenario.remarks import remarks
from tests.support.places import SCENARIOS

PLAN = """\
[chip]
part = "W25Q32JV"
[run]
duration = "3 d"
[values.level]
mean = 2.5
[[task]]
name = "gauge"
every = "1 h"
operations = [
  { do = "append", file = "/tide/{date}.csv", text = "{time},{level}\\n", keep = 3 },
]
"""


def told(directory: Path, old: str, new: str, plan: str = PLAN) -> list[str]:
    assert old in plan
    file = directory / "plan.toml"
    file.write_text(plan.replace(old, new))
    return [str(one).removeprefix(f"{file}:") for one in remarks(load_scenario(file), file)]


def test_a_scenario_of_which_all_has_an_effect_gets_no_remark(tmp_path: Path) -> None:
    assert told(tmp_path, "2.5", "2.5") == []


@pytest.mark.parametrize("file", sorted(SCENARIOS.glob("*.toml")), ids=lambda path: path.name)
def test_shipped_scenarios_get_none(file: Path) -> None:
    assert remarks(load_scenario(file), file) == []


def test_a_reading_that_no_text_writes_is_told(tmp_path: Path) -> None:
    assert told(tmp_path, ",{level}", "") == [
        "5: values.level: no text writes {level}, so this has no effect; write it, or leave the table out"
    ]


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        (
            "1 h",
            '1 h"\nfirst = "4 d',
            "10: task[0].first: its first run comes 4 d after the start, when the run is over; ",
        ),
        ("1 h", '1 h"\nfirst = "3 d', ""),
        ("3 d", '1 h"\nstart = "2031-01-01 06:00:00', "10: task[0].daily: its first run comes 22 h after the start, "),
        ("3 d", '22 h"\nstart = "2031-01-01 06:00:00', ""),
    ],
)
def test_a_task_that_first_runs_after_the_end_is_told(old: str, new: str, what: str, tmp_path: Path) -> None:
    plan = PLAN.replace('every = "1 h"', 'daily = ["05:00", "04:00"]') if old == "3 d" else PLAN
    found = told(tmp_path, old, new, plan)
    assert [one[: len(what)] for one in found] == ([what] if what else [])


KEEP = "11: task[0].operations[0].keep: it never removes a file, since"


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("{date}", "all", "the name is always the same; write a placeholder in it, such as {date}, or leave keep out"),
        ("{date}", "{boot}", "the name is always the same; write a placeholder"),  # nothing boots
        ("{date}.csv", 'x", only_if = "present', 'only_if = "present" begins none; leave one of the two out'),
    ],
)
def test_a_keep_that_never_removes_a_file_is_told(tmp_path: Path, old: str, new: str, why: str) -> None:
    (found_one,) = told(tmp_path, old, new)
    assert found_one.startswith(f"{KEEP} {why}")


@pytest.mark.parametrize(("keep", "count"), [(1439, 0), (1440, 1)])
def test_names_that_come_again_are_counted(tmp_path: Path, keep: int, count: int) -> None:
    operation = PLAN[PLAN.index('"/tide') : PLAN.index(" },")]
    found = told(tmp_path, operation, f'"/{{hour}}{{minute}}", text = "{{level}}", keep = {keep}')
    wanted = f"{KEEP} there are only 1,440 such names; write a keep below that, or {{date}} in the name"
    assert found == [wanted] * count


@pytest.mark.parametrize("name", ["{counter}", "{year}", "{day}", "{hour}", "{time}"])
def test_a_keep_that_some_day_removes_a_file_is_not(tmp_path: Path, name: str) -> None:
    assert told(tmp_path, "{date}", name) == []


def test_a_name_with_the_boots_has_an_age_where_something_boots(tmp_path: Path) -> None:
    assert (
        told(
            tmp_path,
            '{date}.csv", text = "{time},{level}\\n", keep = 3 },',
            '{boot}", text = "{level}", keep = 3 }, { do = "boot" },',
        )
        == []
    )
