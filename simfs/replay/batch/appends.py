"""Appends of one task that are done together, and how they are noted."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from functools import partial

from simfs.replay.batch.times import Times
from simfs.replay.device.device import Device
from simfs.replay.device.notes import Alike
from simfs.replay.player.contents import Contents, Series
from simfs.replay.player.player import PlayedTask
from simfs.replay.scenario.patterns import Moment, tick_ns
from simfs.replay.scenario.tasks import Append
from simfs.store.batch.appends import Stretch
from simfs.store.format.layout import Placed

RESTS_MAX = 64
Chosen = tuple[Placed, Sequence[int], Callable[[], Sequence[bytes]]]  # places, lengths, what gives the payloads


class Appends:
    """A task that appends once in each run: when many of its runs may go together.

    They may once a run by itself was not refused, for as long as the file's name stays. What brought nothing is tried
    less and less often, so that a store that takes no batch costs next to nothing.
    """

    def __init__(self, played: PlayedTask, operation: Append, device: Device) -> None:
        self._played, self._device = played, device
        self._name = played.stage.name_writer(operation.file, operation.back)
        self._contents: Contents = played.stage.contents[0]
        self._pattern = operation.file.text
        self._back_ns, self._tick_ns = operation.back, tick_ns(operation.file)
        self._counted = "counter" in operation.file.fields
        self._counter_every = played.task.counter_every
        self._rests = self._in_vain = 0  # runs to go by themselves before the next try, tries in vain
        self._until_ns = self._runs_end = 0  # up to this time and this run the file keeps its name
        self._refused = 0
        self._likely_bytes = 1  # of one run, as those made last had on average

    def may_go(self, due_ns: int) -> bool:
        """Whether runs from this one on may go together, as far as can be told at a glance."""
        return due_ns < self._until_ns and not self._rests and self._played.runs < self._runs_end

    def note_run(self, due_ns: int) -> None:
        """A run that was due went by itself."""
        if self._rests:
            self._rests -= 1
        refused = self._played.stage.files.refused
        if refused != self._refused:
            self._refused, self._until_ns = refused, 0
        elif due_ns >= self._until_ns or self._played.runs >= self._runs_end:
            self._note_name(due_ns)

    def _note_name(self, due_ns: int) -> None:
        back_ns, every = self._back_ns, self._counter_every
        self._until_ns = ((due_ns - back_ns) // self._tick_ns + 1) * self._tick_ns + back_ns
        last = self._played.runs - 1
        self._runs_end = last - last % every + every if self._counted else 1 << 62

    def forget(self) -> None:
        """The file of the run before may have another name by now."""
        self._until_ns = 0

    def go(self, due_ns: int, times: Times, horizon_ns: int, boot: int) -> bool:
        """Do the runs that are due, from this one on, as many as go together; False where this one has to go by itself.
        Afterwards the next of `times` is that of the first run that is not done."""
        horizon_ns = min(horizon_ns, self._until_ns)
        if len(times.ahead(due_ns, horizon_ns, 2, 0)) < 2:
            return False
        if self._go(due_ns, times, horizon_ns, boot):
            self._in_vain = 0
            return True
        self._in_vain += 1
        self._rests = min((1 << self._in_vain) - 1, RESTS_MAX)
        return False

    def _go(self, due_ns: int, times: Times, horizon_ns: int, boot: int) -> bool:
        played, device, moment = self._played, self._device, self._played.stage.moment
        moment.now_ns, moment.counter, moment.boot = due_ns, played.runs // self._counter_every, boot
        stretch = device.stretch(self._name())
        if stretch is None or not device.passes_to(due_ns):
            return False
        length = self._contents.length_at(moment)
        most = min(self._runs_end - played.runs, stretch.count_of(length or 1))
        if most < 2:
            return False
        programs = stretch.programs_max(length)
        if not device.is_usual(programs):
            return False
        starts_ns = times.ahead(due_ns, horizon_ns, most, programs * device.program_typ_ns)
        if len(starts_ns) < 2:
            return False
        chosen = (
            self._varying(stretch, starts_ns, boot) if length is None else self._alike(stretch, starts_ns, length, boot)
        )
        if chosen is None:
            return False
        placed, lengths, payloads = chosen
        count, live_bytes = placed.frame_count, stretch.append(placed, lengths, payloads)
        device.note_alike(played.task.name, "append", Alike(starts_ns[:count], placed, sum(lengths), live_bytes))
        played.runs += count
        times.skip(count - 1)
        if stretch.room_bytes - placed.room_bytes < stretch.pitch(lengths[-1]):
            self._rests = 1  # the next one goes on in another block
        return True

    def _series(self, starts_ns: Sequence[int], boot: int) -> Series:
        return Series(starts_ns, self._played.runs, self._counter_every, boot)

    def _alike(self, stretch: Stretch, starts_ns: Sequence[int], length: int, boot: int) -> Chosen | None:
        """Runs whose contents are of one length."""
        moment = Moment()
        moment.boot = boot

        def length_of(index: int) -> int:
            moment.now_ns, moment.counter = starts_ns[index], (self._played.runs + index) // self._counter_every
            return self._contents.length_at(moment) or 0

        count = len(starts_ns)
        if length_of(count - 1) != length:
            count = bisect_right(range(count), length, key=length_of)
        placed = stretch.alike(length, count)
        if placed is None:
            return None
        count = placed.frame_count
        return placed, [length] * count, partial(self._contents.many, self._series(starts_ns[:count], boot))

    def _varying(self, stretch: Stretch, starts_ns: Sequence[int], boot: int) -> Chosen | None:
        """Runs whose contents have to be drawn before their lengths are known: a few more of them than fit, if they are
        as long as the last ones were."""
        if not stretch.takes_any():
            return None
        likely = stretch.count_of(self._likely_bytes)
        lengths, made = self._contents.drawn(self._series(starts_ns[: likely + likely // 32 + 1], boot))
        self._likely_bytes = sum(lengths) // len(lengths)
        placed = stretch.of(lengths)
        if placed is None:
            return None
        count = placed.frame_count
        return placed, lengths[:count], partial(made, count)
