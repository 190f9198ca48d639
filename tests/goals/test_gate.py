"""The quick gate of the goals table, on every run of the tests: samples of the rows, and that the table catches a store
that is broken. `python -m tests.goals` has all other cases."""

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
from simfs.store.format.layout import layout_of
from simfs.store.log import block_scan as scan
from simfs.store.log import frame_reader as reader
from simfs.store.recovery.tail import Tail
from tests.goals import __main__ as goals
from tests.goals.records import ERASE, records_of
from tests.goals.rows import same as goals_same
from tests.goals.rows.cuts import history_of
from tests.goals.scenarios import SCENARIOS
from tests.goals.table import Outcome, measure, shares
from tests.goals.world.trace import lines_of
from tests.support.places import ROOT

CASES = {
    1: 200, 6: 250, 7: 200, 8: 700, 9: 5000, 11: 25, 13: 2, 18: 12, 19: 200, 20: 800, 21: 10, 22: 12, 23: 2500, 24: 200,
}  # fmt: skip

ONCE_BROKEN = {
    "a statement that failed had named blocks, and these were erased": (11, "settings; program 348 ever"),
    "a run went on behind a statement in the midst of its block": (11, "readings, units of 8; program 410 once"),
    "two heads, both in doubt": (9, "pages, two heads; seed 5; 3100 operations"),
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
    modules = (scan, reader)
    believing = [patch.object(module, "payload_is_sound", lambda raw, length, salt: True) for module in modules]
    return [goals_same.frame_by_frame(), *believing]


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


def say_nothing_of_damage() -> list[Any]:
    return [patch.object(Store, "damages", ())]


def never_settle() -> list[Any]:
    return [patch.object(Tail, "is_settled", lambda tail: True)]


@pytest.mark.parametrize(
    ("number", "breakage"),
    [
        (1, believe_any_payload), (6, believe_any_payload), (7, believe_any_payload), (8, never_settle),
        (9, forget_truncation), (11, overlook_errors), (18, reserve_more_on_the_slow_path),
        (22, say_nothing_of_damage), (24, say_nothing_of_damage), (24, believe_any_payload),
        (19, forget_truncation),
        (20, never_settle),
    ],
)  # fmt: skip
def test_the_row_catches_a_broken_store(number: int, breakage: Callable[[], list[Any]]) -> None:
    with ExitStack() as stack:
        for one in breakage():
            stack.enter_context(one)
        assert try_row(number, CASES[number] // 2, stop_after=1).violations


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_reference_scenarios_work_as_much_as_they_should(name: str) -> None:
    history = history_of(name)
    layout = layout_of(history.geometry, history.config)
    records = records_of((operation.change for operation in history.operations), layout)
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


def test_a_path_through_the_small_world_shows_its_violation_again_and_is_printed() -> None:
    with ExitStack() as stack:
        stack.enter_context(never_settle()[0])
        part, text = try_row(20, CASES[20] // 2, stop_after=1).violations[0]
        assert goals.row_of(20).run(part).violations == [(part, text)]
        lines = "\n".join(lines_of(part))
        assert f"BROKEN: {text}" in lines
        assert "CUT in block" in lines
        assert " cells of block" in lines
    assert not goals.row_of(20).run(part).violations, "without the breakage"
