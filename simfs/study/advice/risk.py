"""How many readings a power cut may take: a short stretch of a scenario, cut again and again."""

from __future__ import annotations

from typing import Any

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.play import play
from simfs.replay.scenario.load import scenario_of
from simfs.replay.scenario.quantities import format_duration
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import Append
from simfs.study.advice.idea import with_changes
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.firmware.consequences import consequences
from simfs.study.cuts.judging.states import sampled
from simfs.study.cuts.notes.recorder import Recorder
from simfs.study.pools import Here

RUNS = 60  # of the tasks together, about: what a cut leaves of a file shows early
CUTS = 60


def readings_at_risk(table: dict[str, Any]) -> int:
    """The most readings that one cut may take, of `CUTS` in the scenario's first runs: those in its files, as a
    campaign finds them, and those that wait in RAM. The table is that of a sound scenario. OSError where the flash
    holds no store any more."""
    scenario = scenario_of(with_changes(table, ((("run", "duration"), _short(table)),)))
    if not isinstance(scenario, Scenario):
        raise ValueError("the scenario can't be shortened")
    recorder = Recorder()
    play(scenario, "", observers=[recorder])
    history = recorder.history(scenario.title)
    found = campaign(history, sampled(history, CUTS), executor=Here())
    lost = consequences(history, found.found).lost.worst
    gathered = [one.gather for task in scenario.task for one in task.operations if isinstance(one, Append)]
    most = max(gathered, default=1)
    waiting = sum(count - 1 for count in gathered) - (most - 1)  # in the others, while these are being written
    return waiting + (max(lost, most) if most > 1 else lost)


def _short(table: dict[str, Any]) -> str:
    """A duration in which the tasks run about `RUNS` times."""
    scenario = scenario_of(table)
    if not isinstance(scenario, Scenario):
        raise ValueError("the scenario is not sound")
    a_day = sum(_runs_a_day(task) for task in scenario.task)
    duration_ns = int(RUNS * NS_PER_DAY / a_day) if a_day else scenario.run.duration
    return format_duration(min(max(duration_ns, 1), scenario.run.duration))


def _runs_a_day(task: Any) -> float:
    often = NS_PER_DAY / task.every if task.every else len(task.daily or ())
    return often * (task.burst.count[1] if task.burst else 1)
