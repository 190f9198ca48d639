"""`simfs sweep`, through click's runner and as a program of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.cli.sweep_command import SORT_WORDS
from simfs.show.sweep import COLUMNS, TABLE
from simfs.study.sweep import ORDERS, Summary
from tests.support.places import ROOT

SCENARIO = """\
title = "A small device"
[chip]
size = "128 KiB"
[run]
duration = "2 d"
[[task]]
name = "gauge"
every = "6 min"
operations = [{ do = "append", file = "/log/{date}", size = "30 B", keep = 1 }]
[expect]
refused_max = 0
file_sizes = { "/log/2031-01-02" = "7200 B" }
"""
FITS = "store.size=20 KiB,64 KiB,3 MiB"


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, ["sweep", *map(str, words), "--workers", "1"])


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SCENARIO)
    return path


def table_of(text: str) -> list[list[str]]:
    """The cells of the lines below the rule."""
    lines = text.split("\n\n")[1].splitlines()
    rule = next(line for line in lines if line.startswith("-"))
    ends = [at for at in range(1, len(rule) + 1) if rule[at - 1] == "-" and rule[at : at + 1] != "-"]
    below = lines[lines.index(rule) + 1 :]
    return [
        [line[begin:end].strip() for begin, end in zip([0, *ends], ends, strict=False)] for line in below
    ]  # fmt: skip


def test_records_that_were_lost_have_a_column_where_there_are_some_or_one_asks(scenario: Path) -> None:
    def last_columns(values: str, *more: str) -> list[str]:
        lines = invoke(scenario, "--vary", f"task.gauge.operations[0].gather={values}", *more).stdout.split("\n\n")[1]
        return [line.split()[-1] for line in lines.splitlines() if "-- " not in line]

    resets = '[[task]]\nname = "watchdog"\ndaily = "23:59"\noperations = [{ do = "boot" }]\n[expect]'
    scenario.write_text(SCENARIO.replace("[expect]", resets))
    assert last_columns("1,16,70") == ["records", "lost", "0", "0", str(2 * (240 % 70))]
    assert last_columns("1,16") == ["free", "refused", "0", "0"]
    assert last_columns("1,16", "--sort", "lost-records") == ["records", "lost", "0", "0"]


def test_the_table_has_the_figures_of_the_json(scenario: Path) -> None:
    words = (scenario, "--vary", FITS, "--vary", "store.packing=byte,page", "--sort", "mount")
    text, found = invoke(*words).stdout, json.loads(invoke(*words, "--json").stdout)
    table = table_of(text)
    assert [row[1:3] for row in table] == [list(variant["settings"].values()) for variant in found["variants"]]
    columns = [column for column in TABLE if column.when in ("always", "unless full") or column.figure == "mount_ns"]
    for row, variant in zip(table, found["variants"], strict=True):
        if variant["summary"] is None:
            assert row == ["!", *variant["settings"].values(), "not run", *["-"] * (len(columns) - 1)]
            continue
        values = [variant["summary"][column.figure] for column in columns]
        shown = ["-" if value is None else column.shown(value) for column, value in zip(columns, values, strict=True)]
        assert row[3:] == shown
        assert row[0] == ("!" if variant["unmet"] else "")
    assert found["sorted_by"] == "mount"


def test_a_run_that_is_too_short_to_tell_a_life_says_so(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace("2 d", "2 h").partition("[expect]")[0])
    assert "Life -: the run is too short to tell." in invoke(scenario, "--vary", "store.size=64 KiB").stdout
    assert "too short" not in invoke(scenario, "--vary", 'run.duration="2 d"').stdout


def test_lines_below_tell_why(scenario: Path) -> None:
    done = invoke(scenario, "--vary", FITS)
    assert done.exit_code == 0
    assert max(map(len, done.stdout.splitlines())) <= COLUMNS
    text = " ".join(done.stdout.split())
    assert "3 runs over store.size. The figures are of this store" in text
    assert "! store.size=20 KiB: not met are refused_max: 291, wanted at most 0; file_sizes: /log/2031-01-02: " in text
    assert "! store.size=3 MiB: not run. store.size: the store would end at 3 MiB, behind the chip's 128 KiB" in text


def test_a_sweep_on_a_card_has_sectors_and_no_column_of_wear(scenario: Path) -> None:
    text = scenario.read_text().replace('[chip]\nsize = "128 KiB"', '[store]\nkind = "card"')
    scenario.write_text(text)
    done = invoke(scenario, "--vary", "card.size=8MiB,64MiB", "--sort", "programs")
    heading = done.stdout.split("\n\n")[1]
    assert "sectors" in heading
    assert "life" not in done.stdout.lower()
    assert "erases" not in done.stdout
    found = json.loads(invoke(scenario, "--vary", "card.size=8MiB", "--json").stdout)["variants"][0]["summary"]
    assert (found["sectors_written"], found["life_ns"]) == (found["programs"], None)
    assert f"{found['sectors_written']:,}" in done.stdout


def test_every_order_has_a_word_and_a_column(scenario: Path) -> None:
    assert tuple(ORDERS) == SORT_WORDS
    assert {column.figure for column in TABLE} == {order.figure for order in ORDERS.values()} | {
        "full_ns",
        "sectors_written",
    }
    assert {column.figure for column in TABLE} == set(Summary.__dataclass_fields__)
    done = invoke(scenario, "--vary", "store.size=64 KiB,128 KiB", "--sort", "longest-write-bound")
    assert "lowest bound of a write first" in " ".join(done.stdout.split())
    assert "worst part" in done.stdout


def test_settings_that_end_alike_keep_their_whole_paths(scenario: Path) -> None:
    done = invoke(scenario, "--vary", "store.size=64 KiB", "--vary", "task[0].operations[0].size=20 B")
    assert "store.size  task[0].operations[0].size" in done.stdout


@pytest.mark.parametrize(
    ("words", "lines"),
    [
        (["--vary", "store.size=1MB"], ['--vary store.size=1MB: "1MB": the unit MB may be 1000² or 1024² bytes']),
        (["--vary", "store.size"], ["--vary store.size: it gives no values; write a setting and its values"]),
        (
            ["--vary", "store.size=9 GiB,x", "--vary", "store.colour=1"],
            ["--vary store.size=9 GiB:", '--vary store.size=x: "x"', "--vary store.colour=1: there is no such key"],
        ),
        (
            ["--vary", "store.size=8 KiB,3 MiB"],
            ["--vary store.size=8 KiB: store.size: 2 erase", "--vary store.size=3 MiB: store.size: the store would"],
        ),
    ],
)
def test_bad_input_is_a_line_for_each_fault(scenario: Path, words: list[str], lines: list[str]) -> None:
    done = invoke(scenario, *words)
    assert (done.exit_code, done.stdout) == (2, "")
    found = done.stderr.splitlines()
    assert len(found) == len(lines)
    for line, beginning in zip(found, lines, strict=True):
        assert line.startswith(beginning)


def test_only_a_scenario_can_be_varied(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text("raise AssertionError\n")
    vary = ("--vary", "store.size=1 MiB")
    assert "only a scenario has settings to vary" in invoke(script, *vary).stderr
    assert "No such file or directory" in invoke(tmp_path / "gone.toml", *vary).stderr
    script.with_suffix(".toml").write_text("[chip]\nsize = 5\n")
    done = invoke(script.with_suffix(".toml"), *vary)
    assert done.exit_code == 2
    assert f"{script.with_suffix('.toml')}:2: chip.size: 5 has no unit" in done.stderr


def test_a_stop_ends_it_quietly(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('"2 d"', '"500 years"').replace('"30 B"', '["20 B", "40 B"]'))
    command = [sys.executable, "-m", "simfs", "sweep", str(scenario), "--vary", "store.size=64 KiB,128 KiB"]
    how: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "cwd": ROOT}
    running = subprocess.Popen(command, start_new_session=True, **how)
    time.sleep(2)
    os.killpg(running.pid, signal.SIGINT)  # as a terminal does it: the workers get it too
    output, errors = running.communicate(timeout=30)
    assert (running.returncode, output) == (130, "")
    assert errors.endswith("simfs: stopped\n")
    assert "Traceback" not in errors
