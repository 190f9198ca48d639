"""Who wore the flash, as `simfs run` tells it: a table, JSON, and a file for a flame graph."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.test_commands import invoke, scenario  # noqa: F401


def test_table_stands_behind_that_of_the_tasks(scenario: Path) -> None:  # noqa: F811
    shown = invoke("run", scenario, "--who").stdout
    assert max(map(len, shown.splitlines())) <= 100
    (line,) = (line for line in shown.splitlines() if line.startswith("gauge      ") and " data " in line)
    assert line.split()[:5] == ["gauge", "/tide.csv", "data", "18.8", "KiB"]  # 480 frames of 40 bytes
    assert shown.index("task  ") < shown.index("who wore it")
    assert "who wore it" not in invoke("run", scenario).stdout


def test_json_has_every_wearer_and_the_totals(scenario: Path) -> None:  # noqa: F811
    found = json.loads(invoke("run", scenario, "--json", "--who").stdout)
    who, work = found["who_wore_it"], found["flash_work"]
    assert (who["programmed_bytes"], who["erases"]) == (work["program_bytes"], work["erases"])
    assert sum(one["programmed_bytes"] for one in who["wearers"]) == work["program_bytes"] > 19_200
    assert sum(one["erases_millionths"] for one in who["wearers"]) == work["erases"] * 1_000_000
    assert "who_wore_it" not in json.loads(invoke("run", scenario, "--json").stdout)


@pytest.mark.parametrize(("of", "unit"), [((), "program_bytes"), (("--stacks-of", "erases"), "erases")])
def test_stacks_add_up(scenario: Path, tmp_path: Path, of: tuple[str, ...], unit: str) -> None:  # noqa: F811
    stacks = tmp_path / "who.txt"
    result = invoke("run", scenario, "--json", "--stacks", stacks, *of)
    lines = [line.rpartition(" ") for line in stacks.read_text().splitlines()]
    assert all(len(stack.split(";")) == 3 for stack, _, _ in lines)
    total = json.loads(result.stdout)["flash_work"][unit]
    assert sum(int(count) for _, _, count in lines) == total * (1_000_000 if unit == "erases" else 1)


def test_what_can_not_be_written_is_refused_before_the_run(scenario: Path, tmp_path: Path) -> None:  # noqa: F811
    for words, fault in (
        (("--stacks", tmp_path / "no" / "who.txt"), "there is no directory"),
        (("--stacks", scenario), "this is the input"),
        (("--stacks", tmp_path / "a", "--save-image", tmp_path / "a"), "--save-image writes this file"),
        (("--stacks-of", "erases"), "give a file with --stacks"),
    ):
        result = invoke("run", scenario, *words)
        assert (result.exit_code, result.stdout) == (2, ""), words
        assert fault in result.stderr
    assert list(tmp_path.iterdir()) == [scenario]
