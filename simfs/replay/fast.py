"""Plays a scenario sooner: appends that a task does alike, one after the other until something else is due, are done
together. Whatever else there is goes one by one, and everything comes out the same."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import accumulate

from simfs.replay.contents import Contents, Series
from simfs.replay.patterns import tick_ns
from simfs.replay.player import PlayedTask, Player
from simfs.replay.records import Alike
from simfs.replay.run import Device
from simfs.replay.scenario import Scenario
from simfs.replay.task import Append
from simfs.store.stretch import Payloads, Programs, Stretch


class EveryTimes:
    """The times of a task that is due at even intervals."""

    def __init__(self, first_ns: int, every_ns: int) -> None:
        self._next_ns, self.every_ns = first_ns, every_ns

    def __iter__(self) -> Iterator[int]:
        return self

    def __next__(self) -> int:
        self._next_ns += self.every_ns
        return self._next_ns - self.every_ns

    def later(self, by_ns: int) -> EveryTimes:
        """The times, each so much later."""
        return EveryTimes(self._next_ns + by_ns, self.every_ns)

    def skip(self, count: int) -> None:
        """Leave out the next `count` times."""
        self._next_ns += count * self.every_ns


class _Appends:
    """A task that appends once in each run, and what it takes to do many of its runs at once."""

    def __init__(self, played: PlayedTask, operation: Append) -> None:
        self.played = played
        self.name = played.stage.name_writer(operation.file, operation.back)
        self.contents: Contents = played.stage.contents[0]
        self.newest: str | None = None  # the file of the run before
        self._back_ns, self._tick_ns = operation.back, tick_ns(operation.file)
        self._counted = "counter" in operation.file.fields
        self.counter_every = played.task.counter_every

    def same_name_until(self, now_ns: int) -> int:
        """The time from which on the file may have another name."""
        back_ns = self._back_ns
        return ((now_ns - back_ns) // self._tick_ns + 1) * self._tick_ns + back_ns

    def same_name_runs(self) -> int:
        """How many runs from now on keep the counter in the name."""
        return self.counter_every - self.played.runs % self.counter_every if self._counted else 1 << 62


def _appends_of(played: PlayedTask) -> _Appends | None:
    task = played.task
    if task.at_boot or task.until is not None or len(task.operations) != 1:
        return None
    operation = task.operations[0]
    if not isinstance(operation, Append) or operation.repeat != 1 or operation.only_if == "absent":
        return None
    return _Appends(played, operation)


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

    def _run_alike(self, appends: _Appends, due_ns: int, times: Iterator[int]) -> bool:
        """Do this run, and those after it that are alike; False where this one has to be done by itself."""
        device, played = self.device, appends.played
        moment = played.stage.moment
        moment.now_ns, moment.counter, moment.boot = due_ns, played.runs // appends.counter_every, self.boot_count
        name = appends.name()
        goes_on = name == appends.newest and device.now_ns == due_ns
        appends.newest = name if device.now_ns == due_ns else None
        horizon_ns = min(self.end_ns, self.pause_ns, appends.same_name_until(due_ns))
        if self._heap:
            horizon_ns = min(horizon_ns, self._heap[0][0])
        if not goes_on or (isinstance(times, EveryTimes) and horizon_ns - due_ns <= times.every_ns):
            return False
        stretch = device.stretch(name)
        if stretch is None:
            return False
        together = _Together(self, appends, stretch, due_ns, horizon_ns)
        if isinstance(times, EveryTimes) and together.evenly(times):
            return True
        return together.singly(times)


class _Together:
    """Appends to one file, from one that is due until the horizon, until the block is full, or until one is late."""

    def __init__(self, player: FastPlayer, appends: _Appends, stretch: Stretch, due_ns: int, horizon_ns: int) -> None:
        self._player, self._device = player, player.device
        self._appends, self._played, self._contents = appends, appends.played, appends.contents
        self._stretch = stretch
        self._due_ns, self._horizon_ns = due_ns, horizon_ns

    def evenly(self, times: EveryTimes) -> bool:
        """Appends of one length at even times; False where they are not of this kind."""
        played, stretch, contents, due_ns = self._played, self._stretch, self._contents, self._due_ns
        every_ns, moment = times.every_ns, self._played.stage.moment
        length = None if contents.drawn_ahead else contents.length_at(moment)
        if length is None:
            return False
        count = min(
            stretch.fit(length), (self._horizon_ns - 1 - due_ns) // every_ns + 1, self._appends.same_name_runs()
        )
        if count < 2:
            return False
        moment.now_ns = due_ns + (count - 1) * every_ns
        moment.counter = (played.runs + count - 1) // self._appends.counter_every
        programs = stretch.alike(length, count)
        if contents.length_at(moment) != length or not self._is_quick(programs, every_ns):
            return False
        series = Series(due_ns, every_ns, played.runs, self._appends.counter_every, moment.boot, count)
        starts_ns = range(due_ns, due_ns + count * every_ns, every_ns)
        self._do(starts_ns, [length] * count, programs, contents.later(series))
        times.skip(count - 1)
        self._player.push(played, times)
        return True

    def _is_quick(self, programs: Programs, every_ns: int) -> bool:
        """Whether each of the writes is done before the next is due, and none stands out."""
        most = programs.alike[-1][0]
        return most * self._device.flash.datasheet.program_typ_ns <= every_ns and self._device.is_usual(most)

    def singly(self, times: Iterator[int]) -> bool:
        """Appends of any length at any times; False where not even the first can be done so."""
        stretch, device, contents = self._stretch, self._device, self._contents
        if not stretch.has_room_for_all():
            return False
        moment, runs = self._played.stage.moment, self._played.runs
        runs_max = self._appends.same_name_runs()
        program_ns = device.flash.datasheet.program_typ_ns
        payloads: list[bytes] = []
        starts_ns: list[int] = []
        filling, due_ns = stretch.filling(), self._due_ns
        while True:
            moment.now_ns, moment.counter = due_ns, (runs + len(payloads)) // self._appends.counter_every
            payload = contents()
            programs = filling.add(len(payload), device.is_usual)
            if not programs:
                contents.drawn_ahead.appendleft(payload)
                break
            payloads.append(payload)
            starts_ns.append(due_ns)
            free_ns = due_ns + programs * program_ns
            due_ns = next(times)
            if due_ns >= self._horizon_ns or due_ns < free_ns or len(payloads) == runs_max:
                break
        if not payloads:
            return False
        self._do(starts_ns, filling.lengths, filling.programs(), lambda: payloads)
        self._player.push_due(self._played, due_ns, times)
        return True

    def _do(self, starts_ns: Sequence[int], lengths: Sequence[int], programs: Programs, payloads: Payloads) -> None:
        played, stretch = self._played, self._stretch
        program_bytes = stretch.append(lengths, programs, payloads)
        ends = list(accumulate(lengths))

        def live_bytes_after(write: int) -> int:
            return stretch.live_bytes_after(ends[write])

        done = Alike(starts_ns, programs, program_bytes, ends[-1], live_bytes_after)
        self._device.note_alike(played.task.name, "append", done)
        played.runs += len(lengths)
