"""Each scenario's report, letter for letter as it stands beside it; of one, that on the power cut at every byte of it
too, which a guide shows. Run this file as a script to write them anew, there as well."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs.cli import commands
from tests.support.places import ROOT

SCENARIOS = sorted(path.name for path in (ROOT / "scenarios").iterdir() if path.suffix in (".toml", ".py"))


CUT = "doorbell.toml"
CUTS_REPORT = ROOT / "scenarios" / "doorbell.cuts.txt"
GUIDE = ROOT / "simfs" / "guides" / "power-cuts.md"


def report_of(scenario: str) -> str:
    """What a user sees who runs the scenario from the project's root."""
    return _printed("run", f"scenarios/{scenario}")


def cuts_report() -> str:
    """What a user sees who cuts the power at every byte of it."""
    return _printed("cuts", f"scenarios/{CUT}", "--every", "byte")


def _printed(*words: str) -> str:
    os.chdir(ROOT)
    return CliRunner().invoke(commands, words).stdout


def expected_path(scenario: str) -> Path:
    return (ROOT / "scenarios" / scenario).with_suffix(".txt")


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_a_scenario_gives_the_report_beside_it(scenario: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    assert report_of(scenario) == expected_path(scenario).read_text()


@pytest.mark.slow
def test_the_power_cut_at_every_byte_gives_the_report_beside_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    assert cuts_report() == CUTS_REPORT.read_text()


def test_the_guide_shows_that_report() -> None:
    assert CUTS_REPORT.read_text() in GUIDE.read_text()


def test_no_report_is_left_over() -> None:
    reports = {path.stem for path in (ROOT / "scenarios").glob("*.txt")} - {CUTS_REPORT.stem}
    assert reports == {Path(scenario).stem for scenario in SCENARIOS}
    assert len(SCENARIOS) >= 6


if __name__ == "__main__":
    for name in SCENARIOS:
        expected_path(name).write_text(report_of(name))
    before, after = CUTS_REPORT.read_text(), cuts_report()
    CUTS_REPORT.write_text(after)
    GUIDE.write_text(GUIDE.read_text().replace(before, after))
