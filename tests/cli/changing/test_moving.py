"""`simfs moving`, through click's runner."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.show.moving.text import COLUMNS, SHOWN
from simfs.study.moving.tries import MEASURES
from tests.replay.recorded.traces import trace_text

SCENARIO = """\
[store]
kind = "card"
name_bytes = 200
[card]
size = "16 MiB"
[run]
duration = "1 d"
[[task]]
name = "gauge"
every = "1 h"
operations = [{ do = "append", file = "/NAME/{date}.csv", size = "200 B", keep = 2 }]
"""


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, ["moving", *map(str, words)])


def written(place: Path, name: str = "log") -> Path:
    path = place / "gauge.toml"
    path.write_text(SCENARIO.replace("NAME", name))
    return path


def test_advice_alone_is_status_0(tmp_path: Path) -> None:
    path = written(tmp_path)
    done = invoke(path, "--to", "flash")
    assert (done.exit_code, done.stderr) == (0, "")
    assert "nothing is lost or refused, and 1 thing to know." in " ".join(done.stdout.split())
    assert f"{path}:11: task[0].operations[0]: directory (advice)" in " ".join(done.stdout.split())
    assert max(len(line) for line in done.stdout.splitlines() if str(path) not in line) <= COLUMNS


def test_what_is_refused_is_status_1_with_its_line_and_a_fix_that_was_tried(tmp_path: Path) -> None:
    path = written(tmp_path, "n" * 60)
    done = invoke(path, "--to", "flash")
    told = " ".join(done.stdout.split())
    assert done.exit_code == 1
    assert f"! {path}:11: task[0].operations[0]: name too long (refused)" in told
    assert f'fix name it "/{"n" * 31}/{{date}}.csv"' in told  # 47 bytes fit
    assert "tried refused 24 -> 0" in told


def test_json_has_every_finding(tmp_path: Path) -> None:
    done = invoke(written(tmp_path, "n" * 60), "--to", "flash", "--json")
    told = json.loads(done.stdout)
    assert (done.exit_code, told["lost_or_refused"], told["to"]) == (1, 1, "flash")
    first = next(one for one in told["findings"] if one["breaks"])
    assert (first["line"], first["kind"], first["level"]) == (11, "name too long", "refused")
    assert {"name": "refused_operations", "before": 24, "after": 0} in first["tried"]


def test_settings_of_the_new_store_are_given_as_in_a_comparison(tmp_path: Path) -> None:
    done = invoke(written(tmp_path, "n" * 60), "--to", "flash", "--with", "store.name_bytes=100; chip.part=W25Q32JV")
    assert done.exit_code == 0
    assert "flash W25Q32JV: 1,024 blocks" in done.stdout


def test_a_recording_is_taken_too(tmp_path: Path) -> None:
    path = tmp_path / "recording.txt"
    path.write_text(
        trace_text(
            '1 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT|O_TRUNC, 0644) = 3</d/a>\n1 write(3</d/a>, "ab", 2) = 2\n'
            '1 utime("/d/a", NULL) = 0\n'
        )
    )
    done = invoke(path, "--to", "flash", "--directory", "/d")
    assert done.exit_code == 1
    assert f"! {path}:3: /a: times are not kept (lost)" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        (["--to", "card"], "its files are on card already; give --to flash"),
        (["--to", "flash", "--with", "store.sise=1MiB"], "there is no such key; did you mean size?"),
        (["--to", "flash", "--device", "x.toml"], "--device: it is for recordings"),
        (["--to", "flash", "--directory", "/d"], "--directory: it is for recordings"),
        (["--to", "tape"], "'tape' is not one of 'flash', 'card'"),
        ([], "Missing option '--to'"),
    ],
)
def test_bad_input_is_status_2_and_one_line(tmp_path: Path, words: list[str], wrong: str) -> None:
    done = invoke(written(tmp_path), *words)
    assert done.exit_code == 2
    assert wrong in done.stderr or wrong in str(done.output)
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    ("name", "text", "wrong"),
    [
        ("bad.toml", "[run]\n", "run.duration: it is missing"),
        ("run.py", "", "a script has no lines to point at"),
        ("notes.txt", "hello\n", "it is not a recording"),
    ],
)
def test_a_file_that_is_something_else(tmp_path: Path, name: str, text: str, wrong: str) -> None:
    path = tmp_path / name
    path.write_text(text)
    done = invoke(path, "--to", "flash")
    assert done.exit_code == 2
    assert wrong in done.stderr
    assert invoke(tmp_path / "absent.toml", "--to", "flash").exit_code == 2


def test_every_figure_that_is_tried_can_be_shown() -> None:
    assert SHOWN.keys() == MEASURES.keys() | {"files", "full_after_ns"}
