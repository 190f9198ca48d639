"""Plays a scenario sooner: appends that a task does alike, one after the other until something else is due, are done
together. Whatever else there is goes one by one, and everything comes out the same."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simfs.replay.batch.appends import Appends, EveryTimes, Together
from simfs.replay.device.device import Device
from simfs.replay.player.player import PlayedTask, Player
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import Append


def _appends_of(played: PlayedTask) -> Appends | None:
    task = played.task
    if task.at_boot or task.until is not None or len(task.operations) != 1:
        return None
    operation = task.operations[0]
    if not isinstance(operation, Append) or operation.repeat != 1 or operation.gather != 1:
        return None
    if operation.only_if == "absent":
        return None
    return Appends(played, operation)


class FastPlayer(Player):
    """A `Player` whose runs and notes are the same, and sooner there."""

    def __init__(self, scenario: Scenario, device: Device) -> None:
        super().__init__(scenario, device)
        found = {played: _appends_of(played) for played in self._tasks}
        self._appends = {played: appends for played, appends in found.items() if appends is not None}

    def _times_of(self, played: PlayedTask) -> Iterator[int]:
        task = played.task
        if played not in self._appends or task.every is None or task.jitter or task.burst is not None:
            return super()._times_of(played)
        return EveryTimes(self.device.start_ns + task.first, task.every)

    def _run(self, played: PlayedTask, due_ns: int, times: Iterator[int]) -> None:
        appends = self._appends.get(played)
        if appends is None or not self._run_alike(appends, due_ns, times):
            super()._run(played, due_ns, times)

    def move(self, by_ns: int, runs: Sequence[int], boots: int, name_of: Callable[[str], str]) -> None:
        evenly = {played: times for _, _, played, times in self._heap if isinstance(times, EveryTimes)}
        super().move(by_ns, runs, boots, name_of)
        self._heap[:] = [
            (due_ns, pushed, played, evenly[played].later(by_ns) if played in evenly else times)
            for due_ns, pushed, played, times in self._heap
        ]
        for appends in self._appends.values():
            appends.newest = None

    def _run_alike(self, appends: Appends, due_ns: int, times: Iterator[int]) -> bool:
        """Do this run, and those after it that are alike; False where this one has to be done by itself."""
        device, played = self.device, appends.played
        moment = played.stage.moment
        moment.now_ns, moment.counter, moment.boot = due_ns, played.runs // appends.counter_every, self.boot_count
        name = appends.name()
        goes_on = name == appends.newest and device.now_ns == due_ns
        appends.newest = name if device.now_ns == due_ns else None
        horizon_ns = min(self.end_ns, self.pause_ns, appends.same_name_until(due_ns), self.report.next_ns)
        if self._heap:
            horizon_ns = min(horizon_ns, self._heap[0][0])
        alone = times.every_ns if isinstance(times, EveryTimes) else 0
        if not goes_on or horizon_ns - due_ns <= alone:
            return False
        stretch = device.stretch(name)
        if stretch is None:
            return False
        together = Together(self, appends, stretch, name, horizon_ns)
        if isinstance(times, EveryTimes) and together.evenly(due_ns, times):
            return True
        return together.singly(due_ns, times)
