"""Hostile scenarios and recordings: what is bad is told, what is not is replayed to its end; through the functions and
through the command."""

from __future__ import annotations

import tracemalloc
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner

from simfs.cli import commands
from simfs.replay.scenario.load import parse_scenario
from tests.hostile.inputs.recordings import hostile_recording, judge_recording, run_recordings
from tests.hostile.inputs.scenarios import hostile_scenario, judge_scenario, run_scenarios, seeds
from tests.hostile.inputs.toml_text import toml_text


def test_hostile_scenarios_are_refused_or_played() -> None:
    tally = run_scenarios(60, seed=3)
    assert tally.violations == []
    assert tally.outcomes["refused"] > 25
    assert tally.outcomes["played"] >= 3


def test_hostile_recordings_are_refused_or_replayed() -> None:
    tally = run_recordings(150, seed=1)
    assert tally.violations == []
    assert all(tally.outcomes[outcome] > 10 for outcome in ("refused", "replayed", "nothing to replay"))


def test_hostile_recordings_take_no_memory_to_speak_of() -> None:
    """A line of a few bytes may speak of sizes up to 2^64."""
    for number in range(15):
        raw = hostile_recording(Random(f"memory {number}"))
        tracemalloc.start()
        try:
            judge_recording(raw)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert peak < 2 << 20, f"memory {number}"


def test_what_is_made_from_a_sound_scenario_is_the_same_scenario() -> None:
    """Else the hostile ones would be hostile for no more than a fault of the writer of TOML."""
    for table in seeds():
        assert judge_scenario(toml_text(table).encode()) in (("played", None), ("read", None))
        assert parse_scenario(toml_text(table).encode(), "x").title == table["title"]


@pytest.fixture
def run(tmp_path: Path):
    """Runs `simfs run` on some bytes, in the process itself."""

    def run(raw: bytes, name: str, *options: str) -> tuple[int, list[str], str]:
        path = tmp_path / name
        path.write_bytes(raw)
        result = CliRunner().invoke(commands, ["run", str(path), *options])
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        return result.exit_code, result.stderr.splitlines(), result.stdout

    return run


def test_each_fault_of_a_bad_scenario_is_one_line(run) -> None:
    refused = 0
    for number in range(20):
        raw = hostile_scenario(Random(number))
        if judge_scenario(raw)[0] != "refused":
            continue
        code, lines, report = run(raw, "bad.toml")
        assert (code, report) == (2, "")
        assert lines
        assert all("bad.toml:" in line and line.isprintable() for line in lines), lines
        refused += 1
    assert refused > 8


def test_a_bad_recording_is_one_line(run) -> None:
    refused = 0
    for number in range(60):
        raw = hostile_recording(Random(number))
        if judge_recording(raw, strict=True)[0] != "refused":
            continue
        code, lines, report = run(raw, "bad.log", "--strict", "--directory", "/d", "--size", "32 KiB")
        assert (code, report) == (2, "")
        assert len(lines) == 1
        assert "bad.log" in lines[0]
        assert lines[0].isprintable()
        refused += 1
    assert refused > 10


@pytest.mark.parametrize("name", ["x.toml", "x.log", "x.py"])
@pytest.mark.parametrize("raw", [b"", b"\0", b"\xff" * 3000, b"\n" * 3000, b"\x89PNG\r\n", b"[" * 100_000])
def test_a_file_of_anything_is_a_line_or_two(run, name: str, raw: bytes) -> None:
    code, lines, report = run(raw, name)
    assert (code, report) == (2, "")
    assert 1 <= len(lines) < 5
    assert all(name in line and line.isprintable() for line in lines)
