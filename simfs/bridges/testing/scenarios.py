"""Scenarios as tests: each passes when its expectations are met, except those that it names as unmet on purpose."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest


class Unexpected(Exception):
    """The expectations that are not as the scenario says, and the report of the run."""


class ScenarioFile(pytest.File):
    """A .toml or .py file that is a scenario."""

    def collect(self) -> Iterator[ScenarioTest]:
        yield ScenarioTest.from_parent(self, name="expectations")


class ScenarioTest(pytest.Item):
    """Replays one scenario, and holds it against its expectations."""

    def runtest(self) -> None:
        from simfs.replay.play import replay
        from simfs.show.text import as_text
        from simfs.study.run.expect import judge, surprises
        from simfs.study.run.measure import figures
        from simfs.study.run.outlook import with_outlook

        run = replay(shortest(self.path))
        taken = with_outlook(run, figures(run))
        verdicts = judge(run, taken)
        wrong = surprises(run, verdicts)
        if wrong:
            raise Unexpected("\n".join([as_text(taken, verdicts), "", *wrong]))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        from simfs.replay.scenario.input_faults import BadScenario

        if isinstance(excinfo.value, (Unexpected, BadScenario)):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        return self.path, 0, f"scenario {self.path.name}"


def shortest(path: Path) -> str:
    """A path as the report should name it."""
    try:
        return min(os.path.relpath(path), str(path), key=len)
    except ValueError:  # on another drive
        return str(path)
