"""Plays the tasks of a scenario: a heap of what is due, and a device that does one thing after the other."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from heapq import heappop, heappush
from itertools import count
from typing import Protocol

from simfs.flash.rng import Rng
from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.device.device import Device
from simfs.replay.device.task_files import DeviceTask
from simfs.replay.player.actions import Action, Stage, action_of
from simfs.replay.player.sensor_values import Sensor
from simfs.replay.player.to_card import ToCard, to_card_times
from simfs.replay.scenario.crosschecks import operations_most
from simfs.replay.scenario.patterns import Moment
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import Boot, Task, Until

Progress = Callable[[int, int], None]
"""Called with the device time that has passed, and that of the whole run, both in ns."""

PROGRESS_STEPS = 200  # or more in a long run
PROGRESS_OPERATIONS = 5000  # a step, about 0.1 s of work
NEVER_NS = 1 << 200


class Due(Protocol):
    """What comes due: a task, or what the firmware does by itself."""

    @property
    def ended(self) -> bool: ...
    @property
    def boots(self) -> bool: ...

    def run(self, due_ns: int, boot_count: int) -> None:
        """Do what was due at `due_ns`."""


class PlayedTask:
    """A task, and what it remembers from one run to the next."""

    def __init__(self, task: Task, scenario: Scenario, device: Device) -> None:
        self.task = task
        self._counter_every, self._until = task.counter_every, task.until
        self.rng = Rng(scenario.run.seed, "when", task.name)
        self.runs = 0
        self.ended = False
        moment = Moment()
        values = {name: Sensor(value, scenario.run.seed, name, task.name) for name, value in scenario.values.items()}
        rng = Rng(scenario.run.seed, "what", task.name)
        self.stage = Stage(DeviceTask(device, task.name), moment, values, rng, scenario.run.seed, task.counter_every)
        self.boots = isinstance(task.operations[-1], Boot)
        operations = task.operations[:-1] if self.boots else task.operations
        self.actions: list[Action] = [action_of(operation, self.stage) for operation in operations]

    def run(self, due_ns: int, boot_count: int) -> None:
        """Do the operations, which were due at `due_ns`."""
        stage = self.stage
        device, moment = stage.files.device, stage.moment
        stage.late_ns = device.now_ns - due_ns
        stage.runs, moment.counter, moment.boot = self.runs, self.runs // self._counter_every, boot_count
        for act in self.actions:
            moment.now_ns = device.now_ns
            act()
        self.runs += 1
        if self._until is not None:
            self.ended = self._has_ended(device, self._until)

    def lose_gathered(self) -> None:
        """Drop what waits in the firmware's own RAM, and note it as lost."""
        lost = self._dropped()
        if lost:
            self.stage.files.device.note_gathered(self.task.name, lost=lost)

    def leave_gathered(self) -> None:
        """The run is over: note what waits in the firmware's own RAM."""
        waiting = self._dropped()
        if waiting:
            self.stage.files.device.note_gathered(self.task.name, waiting=waiting)

    def _dropped(self) -> int:
        return sum(gathering.lose() for gathering in self.stage.gatherings)

    def _has_ended(self, device: Device, until: Until) -> bool:
        if until.runs and self.runs >= until.runs:
            return True
        if until.after and device.now_ns - device.start_ns >= until.after:
            return True
        if until.refusals and self.stage.files.refused >= until.refusals:
            return True
        if until.live_percent is None:
            return False
        usage = device.store.usage()
        return bool(usage.live_bytes * 100 >= usage.capacity_bytes * until.live_percent)


def due_times(task: Task, triggers: Iterable[int], rng: Rng) -> Iterator[int]:
    """When the runs of a task are due: at each trigger a burst, or one run."""
    jitter, burst = task.jitter, task.burst
    for at_ns in triggers:
        due_ns = at_ns + (rng.below(jitter + 1) if jitter else 0)
        yield due_ns
        if burst is None:
            continue
        least, most = burst.count
        for _ in range(least + rng.below(most - least + 1) - 1):
            due_ns += burst.gap + (rng.below(burst.jitter + 1) if burst.jitter else 0)
            yield due_ns


def triggers(task: Task, start_ns: int) -> Iterator[int]:
    """The times that a task's clock gives, from the start of the run on, without end."""
    if task.every is not None:
        yield from count(start_ns + task.first, task.every)
    midnight = start_ns - start_ns % NS_PER_DAY
    for day in count(midnight, NS_PER_DAY) if task.daily else ():
        yield from (day + time_ns for time_ns in sorted(task.daily or ()) if day + time_ns >= start_ns)


class Player:
    """The heap holds, for each task, when its next run is due. A boot runs the tasks at boot before all that waits.

    Timers go on over a boot, as those of a clock with a battery do.
    """

    def __init__(self, scenario: Scenario, device: Device) -> None:
        self.device, self._scenario = device, scenario
        self.end_ns = scenario.run.start + scenario.run.duration
        self._tasks = [PlayedTask(task, scenario, device) for task in scenario.task]
        self._heap: list[tuple[int, int, Due, Iterator[int]]] = []  # due, order of arrival, ...
        self._pushed = 0
        self.pause_ns = NEVER_NS
        operations = sum(operations_most(scenario.run, task) for task in scenario.task)
        self._steps = max(PROGRESS_STEPS, operations // PROGRESS_OPERATIONS)
        self.report = _Reporter(None, device, self.end_ns, self._steps)
        self.boot_count = 0

    def play(self, progress: Progress | None) -> None:
        device, heap = self.device, self._heap
        self._run_tasks_at_boot()
        for played in self._tasks:
            if not played.task.at_boot:
                self.push(played, self._times_of(played))
        self.push(ToCard(device), to_card_times(self._scenario))
        self.report = report = _Reporter(progress, device, self.end_ns, self._steps)
        while heap and heap[0][0] < self.end_ns:
            if heap[0][0] >= self.pause_ns:
                self.pause()
                continue
            due_ns, _, due, times = heappop(heap)
            if due_ns > device.now_ns:
                device.wait_until(due_ns)
            self._run(due, due_ns, times)
            if device.now_ns >= report.next_ns:
                report()
        device.wait_until(self.end_ns)
        for played in self._tasks:
            played.leave_gathered()
        report()

    def pause(self) -> None:
        """Called when all that was due before `pause_ns` is done; sets it anew."""
        self.pause_ns = NEVER_NS

    def runs(self) -> tuple[tuple[int, ...], int]:
        """How often each task has run, and the boots."""
        return tuple(played.runs for played in self._tasks), self.boot_count

    def phase(self, since_ns: int, name_of: Callable[[str], Hashable]) -> Hashable:
        """What is due next, counted from `since_ns`, and what the tasks remember, but for their counters."""
        device = self.device
        tasks: list[Due] = [*self._tasks]
        due = tuple((due_ns - since_ns, tasks.index(played)) for due_ns, _, played, _ in sorted(self._heap))
        newest = tuple(name_of(name) for played in self._tasks for name in played.stage.newest)
        gatherings = [gathering for played in self._tasks for gathering in played.stage.gatherings]
        gathered = tuple((name_of(gathering.file), gathering.lengths) for gathering in gatherings)
        ended = tuple(played.ended for played in self._tasks)
        idle_since_ns = device.now_ns - since_ns  # matters to a store that cleans in idle time
        began_ns = idle_since_ns if device.store.uses_idle_time else max(idle_since_ns, 0)
        return due, newest, gathered, ended, began_ns, device.busy_with

    def keeps_lengths(self, by_ns: int, runs: Sequence[int], boots: int) -> bool:
        """Whether all contents are as long as now so much later, after so many more runs of the tasks and boots."""
        now, later = Moment(), Moment()
        now.now_ns, now.boot = self.device.now_ns, self.boot_count
        later.now_ns, later.boot = now.now_ns + by_ns, now.boot + boots
        for played, more in zip(self._tasks, runs, strict=True):
            now.counter = played.runs // played.task.counter_every
            later.counter = (played.runs + more) // played.task.counter_every
            if any(contents.length_at(now) != contents.length_at(later) for contents in played.stage.contents):
                return False
        return True

    def move(self, by_ns: int, runs: Sequence[int], boots: int, name_of: Callable[[str], str]) -> None:
        """Go on so much later, with more runs of each task and boots behind it, and with other names."""
        self.device.now_ns += by_ns
        self.pause_ns += by_ns
        self.boot_count += boots
        for played, more in zip(self._tasks, runs, strict=True):
            played.runs += more
            played.stage.newest[:] = [name_of(name) for name in played.stage.newest]
            for gathering in played.stage.gatherings:
                gathering.file = name_of(gathering.file)
        self._heap[:] = [
            (due + by_ns, pushed, played, later(times, by_ns)) for due, pushed, played, times in self._heap
        ]

    def _times_of(self, played: PlayedTask) -> Iterator[int]:
        return due_times(played.task, triggers(played.task, self.device.start_ns), played.rng)

    def _run(self, played: Due, due_ns: int, times: Iterator[int]) -> None:
        played.run(due_ns, self.boot_count)
        if not played.ended:
            self.push(played, times)
        if played.boots:
            self._lose_gathered()
            self.device.boot()
            self.boot_count += 1
            self._run_tasks_at_boot()

    def _lose_gathered(self) -> None:
        for played in self._tasks:
            played.lose_gathered()

    def _run_tasks_at_boot(self) -> None:
        for played in self._tasks:
            if played.task.at_boot and not played.ended:
                times = due_times(played.task, [self.device.now_ns], played.rng)
                self._run(played, next(times), times)

    def push(self, played: Due, times: Iterator[int]) -> None:
        due_ns = next(times, None)
        if due_ns is not None:
            self.push_due(played, due_ns, times)

    def push_due(self, played: Due, due_ns: int, times: Iterator[int]) -> None:
        self._pushed += 1
        heappush(self._heap, (due_ns, self._pushed, played, times))


def later(times: Iterator[int], by_ns: int) -> Iterator[int]:
    """The times, each so much later."""
    return (due_ns + by_ns for due_ns in times)


class _Reporter:
    """Tells the progress now and then: at `next_ns`, and at the end."""

    def __init__(self, progress: Progress | None, device: Device, end_ns: int, steps: int) -> None:
        self._progress, self._device, self._end_ns = progress, device, end_ns
        self._step_ns = (end_ns - device.start_ns) // steps + 1
        self.next_ns = device.start_ns + self._step_ns if progress else NEVER_NS

    def __call__(self) -> None:
        if self._progress:
            start_ns, now_ns = self._device.start_ns, min(self._device.now_ns, self._end_ns)
            self._progress(now_ns - start_ns, self._end_ns - start_ns)
            self.next_ns = now_ns + self._step_ns
