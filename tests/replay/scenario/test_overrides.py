"""Paths into a scenario's TOML and values for them, as they are given on a command line."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

import pytest

from simfs.replay.scenario.overrides import parse_path, parse_values, resolved, with_setting

TABLE: dict[str, Any] = {
    "store": {"size": "1 MiB"},
    "task": [
        {"name": "gauge", "every": "6 min", "operations": [{"do": "append"}, {"do": "read"}]},
        {"name": "night watch", "daily": "03:00", "operations": []},
    ],
}


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ("title", ("title",)),
        ("store.size", ("store", "size")),
        ("task[1].daily", ("task", 1, "daily")),
        ("task.gauge.operations[0].size", ("task", "gauge", "operations", 0, "size")),
        ('task."night watch".daily', ("task", "night watch", "daily")),
    ],
)
def test_a_path_is_its_steps(text: str, path: tuple[str | int, ...]) -> None:
    assert parse_path(text) == path


@pytest.mark.parametrize("text", ["", " ", ".store", "store.", "store..size", "store size", "[0]", "task.[0]", "a[x]"])
def test_what_is_no_path_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"write for example store\.size"):
        parse_path(text)


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("512KiB,1 MiB", ["512KiB", "1 MiB"]),
        ("1, 2", [1, 2]),
        ("0.5,true,2031-04-05", [0.5, True, date(2031, 4, 5)]),
        ('"a, b",[1, 2],{ mean = 1, noise = 2 }', ["a, b", [1, 2], {"mean": 1, "noise": 2}]),
        ("W25Q32JV,it's", ["W25Q32JV", "it's"]),
        ("1\nother = 2", ["1\nother = 2"]),
        ("[" * 2000, ["[" * 2000]),
        ("9" * 5000, ["9" * 5000]),
    ],
)
def test_values_are_as_toml_means_them_and_text_where_it_means_nothing(text: str, values: list[Any]) -> None:
    found = [value for _, value in parse_values(text)]
    assert found == values
    assert [type(value) for value in found] == [type(value) for value in values]


def test_values_keep_their_spelling() -> None:
    assert [spelled for spelled, _ in parse_values(' 512KiB , "1 MiB",07')] == ["512KiB", '"1 MiB"', "07"]


@pytest.mark.parametrize("text", ["", ",", "1,,2", "1,"])
def test_an_empty_value_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="a value is empty"):
        parse_values(text)


def test_tables_go_by_number_or_name_and_new_keys_are_left_as_they_are() -> None:
    assert resolved(TABLE, parse_path("task.gauge.operations[1].size")) == ("task", 0, "operations", 1, "size")
    assert resolved(TABLE, parse_path('task."night watch".daily')) == ("task", 1, "daily")
    assert resolved(TABLE, parse_path("values.level.noise")) == ("values", "level", "noise")


@pytest.mark.parametrize(
    ("path", "message"),
    [
        ("task.office.every", "there is no task named office; known are gauge, night watch"),
        ("task[2].every", "task has 2 elements, counted from 0; there is no [2]"),
        ("task.gauge.operations.append", "there is no task[0].operations named append; known are [0] to [1]"),
        ("store.size.most", "store.size has nothing in it that could be called most; shorten the path"),
        ("store[0]", "store has nothing in it that could be called 0; shorten the path"),
    ],
)
def test_a_path_that_leads_nowhere_says_where_it_ends(path: str, message: str) -> None:
    with pytest.raises(ValueError, match=re.escape(message)):
        resolved(TABLE, parse_path(path))


def test_a_setting_changes_a_copy() -> None:
    changed = with_setting(TABLE, ("task", 0, "every"), "1 h")
    assert changed["task"][0] == TABLE["task"][0] | {"every": "1 h"}
    assert TABLE["task"][0]["every"] == "6 min"
    assert with_setting({}, ("values", "level", "noise"), 1) == {"values": {"level": {"noise": 1}}}
