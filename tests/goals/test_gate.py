"""The quick gate of the goals table, on every run of the tests: samples of rows 1, 7, 8, 9 and 11, small ones of 6, 13
and 18, and that the table catches a store that is broken. `python -m tests.goals` has the rest, and every case."""

from __future__ import annotations

import shlex
import subprocess
import sys
from collections.abc import Callable
from contextlib import ExitStack, suppress
from typing import Any
from unittest.mock import patch

import pytest

from simfs import NorFlash, Store
from simfs.flash import FlashError
from simfs.store.log import block_scan as scan
from simfs.store.log import frame_reader as reader
from simfs.store.mounting import mount
from tests.goals import __main__ as goals
from tests.goals.records import ERASE, records_of
from tests.goals.rows import same as goals_same
from tests.goals.rows.cuts import history_of
from tests.goals.scenarios import SCENARIOS
from tests.goals.table import Outcome, measure, shares
from tests.support.places import ROOT

CASES = {1: 800, 6: 500, 7: 1500, 8: 700, 9: 20_000, 11: 100, 13: 6, 18: 40}

ONCE_BROKEN = {
    "a seal that reads torn later, its block left while the other head settles": (17, "idle; 320:all@14"),
    "the same after a second cut": (17, "ring, two heads; 506:all/8:bits=few@53"),
    "a MARK that reads torn after the other head went on": (17, "readings, units of 8; 354:nothing/8:bytes=21"),
    "a block opened and left in one mount": (17, "error: settings; recovery from 15:all; program 3 once"),
    "a frame that a void one had declared void": (17, "idle; 467:bytes=30"),
    "the first frame of a block, rotten": (6, "idle; 233:bytes=1; flip 6299 5 read-only"),
    "a block that alone tells how far the one before counts": (
        5,
        "ring, eight programs a page; program-contained; 20:bits=half/4:bytes=2/1:nothing",
    ),
    "a block in doubt that was being followed": (5, "idle; program-contained; 250:bits=half/5:nothing"),
    "two blocks in doubt, of two heads": (9, "pages, two heads; seed 5; 3100 operations"),
    "a recovery whose frame was cut without a trace in its second page": (
        5,
        "idle; program-contained; 258:bits=half@1/2:bits=122/4:nothing",
    ),
    "a block whose opening failed, though all of it was programmed": (11, "full; program 402 once"),
    "a close behind a write that was refused halfway": (11, "names, folded; program 469 block"),
    "the same behind an error of reading": (11, "gaps; read 484 once"),
    "a head's MARK that a recovery found, and a later one did not": (
        5,
        "idle; program-contained; 743:bits=half@1/1:bits=half/1:bits=most/5:all/3:nothing/3:all",
    ),
    "three recoveries that each lose a block": (
        5,
        "readings, pages; program-contained; 131:bytes=14/5:nothing/12:nothing",
    ),
    "a seal that is there at one mount and not at the next": (
        5,
        "readings, pages; program-contained; 86:bytes=24/5:bits=few",
    ),
    "rot in what a head wrote last, the other head in a new block": (6, "idle; 96:bytes=13; flip 5948 6 writable"),
    "the same read-only": (6, "idle; 96:bytes=13; flip 5950 7 read-only"),
    "a block opened and left in one mount, two heads": (
        17,
        "error: ring, two heads; recovery from 528:all; program 7 block",
    ),
}


def try_row(number: int, cases: int, stop_after: int = 20) -> Outcome:
    return measure(goals.row_of(number), cases, stop_after=stop_after).outcome


@pytest.mark.parametrize("number", CASES)
def test_a_sample_of_the_row_has_no_violation(number: int) -> None:
    outcome = try_row(number, CASES[number])
    lines = [goals.violation_line(number, part, text) for part, text in outcome.violations]
    assert not lines, "\n".join(lines)
    assert outcome.tried >= CASES[number] // 2


@pytest.mark.parametrize("case", ONCE_BROKEN)
def test_what_was_once_broken_holds(case: str) -> None:
    number, part = ONCE_BROKEN[case]
    outcome = goals.row_of(number).run(part)
    assert outcome.tried
    assert not outcome.violations


def believe_any_payload() -> list[Any]:
    return [patch.object(module, "payload_is_sound", lambda raw, length, salt: True) for module in (scan, reader)]


def forget_truncation() -> list[Any]:
    return [patch.object(Store, "truncate", lambda self, name, size: None)]


def overlook_errors() -> list[Any]:
    """A program that failed counts as done."""
    program = NorFlash.program

    def careless(self: NorFlash, address: int, data: bytes) -> None:
        with suppress(FlashError):
            program(self, address, data)

    return [patch.object(NorFlash, "program", careless)]


def reserve_more_on_the_slow_path() -> list[Any]:
    return [patch.object(goals_same, "room_for", lambda self, waiting: 999)]


def never_settle() -> list[Any]:
    return [patch.object(mount, "settle", lambda *state: None)]


@pytest.mark.parametrize(
    ("number", "breakage"),
    [
        (1, believe_any_payload), (6, believe_any_payload), (7, believe_any_payload), (8, never_settle),
        (9, forget_truncation), (11, overlook_errors), (18, reserve_more_on_the_slow_path),
    ],
)  # fmt: skip
def test_the_row_catches_a_broken_store(number: int, breakage: Callable[[], list[Any]]) -> None:
    with ExitStack() as stack:
        for one in breakage():
            stack.enter_context(one)
        assert try_row(number, CASES[number] // 4, stop_after=1).violations


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_reference_scenarios_work_as_much_as_they_should(name: str) -> None:
    history = history_of(name)
    records = records_of((operation.change for operation in history.operations), history.geometry.block_bytes)
    assert 170 <= len(SCENARIOS[name].calls()) <= 320
    assert 300 <= len(records) <= 1000
    assert records.count(ERASE) >= 15
    refused = sum(call.error != "" for call in history.calls)
    assert refused <= len(history.calls) // 5


def test_portions_add_up() -> None:
    assert shares(25, 10) == [10, 10, 5]
    assert shares(0, 10) == []


def run_goals(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.goals", *words]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def test_the_command_prints_the_table() -> None:
    done = run_goals("--row", "9", "--cases", "200")
    assert done.returncode == 0, done.stderr
    heading, _, line, *_ = done.stdout.splitlines()
    assert heading.split()[:4] == ["row", "what", "goal", "cases"]
    assert line.split()[0] == "9"
    assert "10,000,000" in line
    assert " 200 " in line


def test_a_part_needs_its_row() -> None:
    done = run_goals("--part", "plain; seed 0; 10 operations")
    assert done.returncode == 2
    assert "--part takes one --row" in done.stderr


def test_a_violation_gives_a_line_that_shows_it_again(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with ExitStack() as stack:
        stack.enter_context(forget_truncation()[0])
        monkeypatch.setattr(sys, "argv", ["goals", "--row", "9", "--cases", "500", "--workers", "1"])
        assert goals.main() == 1
        words = shlex.split(capsys.readouterr().out.splitlines()[0], comments=True)
        assert words[:3] == ["python", "-m", "tests.goals"]
        monkeypatch.setattr(sys, "argv", words[2:])
        assert goals.main() == 1
    assert goals.main() == 0, "without the breakage"
