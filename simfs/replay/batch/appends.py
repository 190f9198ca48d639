"""Appends of one task that are done together, and how they are noted."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simfs.replay.device.device import Readings
from simfs.replay.device.notes import Alike
from simfs.replay.player.contents import Contents, Series
from simfs.replay.player.player import PlayedTask, Player
from simfs.replay.scenario.patterns import tick_ns
from simfs.replay.scenario.tasks import Append
from simfs.store.batch.appends import Payloads, Stretch


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


class Appends:
    """A task that appends once in each run, and what it takes to do many of its runs at once."""

    def __init__(self, played: PlayedTask, operation: Append) -> None:
        self.played = played
        self.name = played.stage.name_writer(operation.file, operation.back)
        self.contents: Contents = played.stage.contents[0]
        self.pattern = operation.file.text
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


class Together:
    """Appends to one file, from one that is due until the horizon, or until one is late or has to be done by itself."""

    def __init__(self, player: Player, appends: Appends, stretch: Stretch, name: str, horizon_ns: int) -> None:
        self._player, self._device = player, player.device
        self._appends, self._played, self._contents = appends, appends.played, appends.contents
        self._stretch, self._name, self._horizon_ns = stretch, name, horizon_ns
        sheet, geometry = player.device.flash.datasheet, player.device.flash.geometry
        self._program_ns = sheet.program_typ_ns
        looks_ns = 64 * sheet.read_overhead_ns + 4 * geometry.block_bytes * sheet.read_byte_ns
        self._turn_ns = sheet.erase_typ_ns + 64 * sheet.program_typ_ns + looks_ns  # more than a change of blocks takes

    def evenly(self, due_ns: int, times: EveryTimes) -> bool:
        """Appends of one length at even times, block after block; False where not even the first can be done so."""
        appends, moment, every_ns = self._appends, self._played.stage.moment, times.every_ns
        length = None if self._contents.drawn_ahead else self._contents.length_at(moment)
        most = min((self._horizon_ns - 1 - due_ns) // every_ns + 1, appends.same_name_runs())
        if length is None:
            return False
        moment.now_ns = due_ns + (most - 1) * every_ns
        moment.counter = (self._played.runs + most - 1) // appends.counter_every
        if self._contents.length_at(moment) != length:
            return False
        done = 0
        while done < most and (count := self._next(due_ns + done * every_ns, every_ns, length, most - done)):
            done += count
        if done:
            times.skip(done - 1)
            self._player.push(self._played, times)
        return done > 0

    def _next(self, due_ns: int, every_ns: int, length: int, most: int) -> int:
        """Do as many appends as can be done together, or the one that can't; how many, 0 when the next one is late or
        not of this kind."""
        device, stretch = self._device, self._stretch
        if not device.passes_to(due_ns):
            return 0

        def is_usual(programs: int) -> bool:
            return programs * self._program_ns <= every_ns and device.is_usual(programs)

        def goes_on() -> bool:
            return self._turn_ns <= every_ns and device.begins_block(self._played.task.name)

        def draw(first: int, count: int) -> Payloads:
            return self._contents.later(self._series(due_ns + first * every_ns, every_ns, first, count))

        before = device.readings()
        filled = stretch.evenly(length, most, is_usual, goes_on, draw)
        if not filled:
            return self._one(length, draw)
        count = sum(len(one.programs.each) for one in filled)
        starts_ns = range(due_ns, due_ns + count * every_ns, every_ns)
        self._note(Alike(starts_ns, filled, count * length), before)
        return count

    def _series(self, first_ns: int, every_ns: int, later: int, count: int) -> Series:
        """The moments of so many runs, from the one so many later than the next."""
        runs, every = self._played.runs + later, self._appends.counter_every
        return Series(first_ns, every_ns, runs, every, self._player.boot_count, count)

    def _one(self, length: int, draw: Callable[[int, int], Payloads]) -> int:
        stretch = self._stretch
        if not stretch.takes_one(length):
            return 0
        made = draw(0, 1)
        self._device.perform(
            self._played.task.name,
            "append",
            self._name,
            lambda: stretch.append_one(length, made),
            writes=True,
            pattern=self._appends.pattern,
        )
        self._played.runs += 1
        return 1

    def singly(self, due_ns: int, times: Iterator[int]) -> bool:
        """Appends of any length at any times, as long as they fit the open block; False where not even the first can be
        done so."""
        stretch, device, contents = self._stretch, self._device, self._contents
        if not stretch.take_up() or not stretch.has_room_for_all():
            return False
        moment, runs = self._played.stage.moment, self._played.runs
        runs_max = self._appends.same_name_runs()
        payloads: list[bytes] = []
        starts_ns: list[int] = []
        filling = stretch.filling()
        while True:
            moment.now_ns, moment.counter = due_ns, (runs + len(payloads)) // self._appends.counter_every
            payload = contents()
            programs = filling.add(len(payload), device.is_usual)
            if not programs:
                contents.drawn_ahead.appendleft(payload)
                break
            payloads.append(payload)
            starts_ns.append(due_ns)
            free_ns = due_ns + programs * self._program_ns
            due_ns = next(times)
            if due_ns >= self._horizon_ns or due_ns < free_ns or len(payloads) == runs_max:
                break
        if not payloads:
            return False
        before = device.readings()
        filled = stretch.append(filling.lengths, filling.programs(), lambda: payloads)
        self._note(Alike(starts_ns, [filled], sum(filling.lengths)), before)
        self._player.push_due(self._played, due_ns, times)
        return True

    def _note(self, done: Alike, before: Readings) -> None:
        self._device.note_alike(self._played.task.name, "append", self._name, done, before)
        self._played.runs += len(done.starts_ns)
