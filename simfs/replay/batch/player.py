"""Plays a scenario faster: appends that a task does one after the other until something else is due are done together.
Everything else goes one by one, and the outcome is the same."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simfs.replay.batch.appends import Appends
from simfs.replay.batch.times import AnyTimes, EveryTimes
from simfs.replay.device.device import Device
from simfs.replay.player.player import Due, PlayedTask, Player
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import Append


def _appends_of(played: PlayedTask, device: Device) -> Appends | None:
    task = played.task
    if task.at_boot or task.until is not None or len(task.operations) != 1:
        return None
    operation = task.operations[0]
    if not isinstance(operation, Append) or operation.repeat != 1 or operation.gather != 1:
        return None
    return None if operation.only_if == "absent" else Appends(played, operation, device)


class FastPlayer(Player):
    """A `Player` with the same runs and notes, in less time."""

    def __init__(self, scenario: Scenario, device: Device) -> None:
        super().__init__(scenario, device)
        found = {played: _appends_of(played, device) for played in self._tasks}
        self._appends: dict[Due, Appends] = {
            played: appends for played, appends in found.items() if appends is not None
        }

    def _times_of(self, played: PlayedTask) -> Iterator[int]:
        task, times = played.task, super()._times_of(played)
        if played not in self._appends:
            return times
        if task.every is None or task.jitter or task.burst is not None:
            return AnyTimes(times)
        return EveryTimes(self.device.start_ns + task.first, task.every)

    def _run(self, played: Due, due_ns: int, times: Iterator[int]) -> None:
        appends = self._appends.get(played)
        if appends is None:
            super()._run(played, due_ns, times)
        elif appends.may_go(due_ns) and self._go(appends, due_ns, times):
            self.push(played, times)
        else:
            super()._run(played, due_ns, times)
            appends.note_run(due_ns)

    def _go(self, appends: Appends, due_ns: int, times: Iterator[int]) -> bool:
        """Do this run and those that go with it; False where it has to go by itself."""
        assert isinstance(times, EveryTimes | AnyTimes)
        horizon_ns = min(self.end_ns, self.pause_ns, self.report.next_ns)
        if self._heap:
            horizon_ns = min(horizon_ns, self._heap[0][0])
        return appends.go(due_ns, times, horizon_ns, self.boot_count)

    def move(self, by_ns: int, runs: Sequence[int], boots: int, name_of: Callable[[str], str]) -> None:
        ahead = {played: times for _, _, played, times in self._heap if isinstance(times, EveryTimes | AnyTimes)}
        super().move(by_ns, runs, boots, name_of)
        self._heap[:] = [
            (due_ns, pushed, played, ahead[played].later(by_ns) if played in ahead else times)
            for due_ns, pushed, played, times in self._heap
        ]
        for appends in self._appends.values():
            appends.forget()
