"""Each scenario's report, letter for letter as it stands beside it. Run this file as a script to write them anew."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs.cli import commands

ROOT = Path(__file__).parent.parent
SCENARIOS = sorted(path.name for path in (ROOT / "scenarios").iterdir() if path.suffix in (".toml", ".py"))


def report_of(scenario: str) -> str:
    """What a user sees who runs the scenario from the project's root."""
    os.chdir(ROOT)
    return CliRunner().invoke(commands, ["run", f"scenarios/{scenario}"]).stdout


def expected_path(scenario: str) -> Path:
    return (ROOT / "scenarios" / scenario).with_suffix(".txt")


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_a_scenario_gives_the_report_beside_it(scenario: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    assert report_of(scenario) == expected_path(scenario).read_text()


def test_no_report_is_left_over() -> None:
    reports = {path.stem for path in (ROOT / "scenarios").glob("*.txt")}
    assert reports == {Path(scenario).stem for scenario in SCENARIOS}
    assert len(SCENARIOS) >= 6


if __name__ == "__main__":
    for name in SCENARIOS:
        expected_path(name).write_text(report_of(name))
