"""Each scenario's report, letter for letter as it stands beside it; of one, that on the power cut at every byte of it
too, which a guide shows. Run this file as a script to write them anew, there as well."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs.cli import commands
from tests.replay.shipped import SHIPPED, played
from tests.support.places import ROOT

pytestmark = pytest.mark.together

CUT = "doorbell.toml"
CUTS_REPORT = ROOT / "scenarios" / "doorbell.cuts.txt"
GUIDE = ROOT / "simfs" / "guides" / "power-cuts.md"


def cuts_report() -> str:
    """What a user sees who cuts the power at every byte of it."""
    os.chdir(ROOT)
    return CliRunner().invoke(commands, ["cuts", f"scenarios/{CUT}", "--every", "byte"]).stdout


def expected_path(scenario: str) -> Path:
    return (ROOT / "scenarios" / scenario).with_suffix(".txt")


@pytest.mark.parametrize("scenario", SHIPPED)
def test_a_scenario_gives_the_report_beside_it(scenario: str) -> None:
    assert played(scenario).report == expected_path(scenario).read_text()


@pytest.mark.slow
def test_the_power_cut_at_every_byte_gives_the_report_beside_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    assert cuts_report() == CUTS_REPORT.read_text()


def test_the_guide_shows_that_report() -> None:
    assert CUTS_REPORT.read_text() in GUIDE.read_text()


def test_no_report_is_left_over() -> None:
    reports = {path.stem for path in (ROOT / "scenarios").glob("*.txt")} - {CUTS_REPORT.stem}
    assert reports == {Path(scenario).stem for scenario in SHIPPED}
    assert len(SHIPPED) >= 6


if __name__ == "__main__":
    for name in SHIPPED:
        expected_path(name).write_text(played(name).report)
    before, after = CUTS_REPORT.read_text(), cuts_report()
    CUTS_REPORT.write_text(after)
    GUIDE.write_text(GUIDE.read_text().replace(before, after))
