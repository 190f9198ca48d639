"""How long a recording is carried on: its work is done again and again, so that wear and room show over years."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from simfs.replay.device.device import Device
from simfs.replay.recorded.faults import BadRecording
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.source import Progress
from simfs.replay.scenario.crosschecks import OPERATIONS_MAX


@dataclass(frozen=True, slots=True)
class Rounds:
    """So many rounds, or as many as it takes until the device time has passed."""

    count: int = 1
    duration_ns: int | None = None


ONCE = Rounds()


class CarriedOn:
    """The rounds of one replay: iterate over them, and count every line of a recording that is replayed.

    What is not replayed is told in the first round only: the later ones have the same lines.
    """

    def __init__(self, rounds: Rounds, device: Device, ledger: SkippedLedger) -> None:
        self._rounds = rounds
        self._device = device
        self._ledger = ledger
        self._done = 0  # rounds
        self._lines = 0  # of all rounds so far
        self.is_cut = False  # the time was over before the round was
        self.asked_ns = 0  # how long the rounds so far would take a device whose flash takes no time
        self._held: list[tuple[int, int]] = []  # time and live bytes after 1 round, 2, 4, 8 and so on

    def __iter__(self) -> Iterator[int]:
        """The number of each round, from 0 on."""
        while self._goes_on():
            yield self._done
            self._done += 1
            self._ledger.later_rounds = True
            if not self.is_cut and self._done.bit_count() == 1:
                self._note_held()
            if self._done == 1:
                self._check_work()

    def over(self, due_ns: int) -> bool:
        """Whether what is due then comes too late. Else it counts as one line more."""
        self._lines += 1
        self.is_cut = self.end_ns is not None and due_ns >= self.end_ns
        return self.is_cut

    def ends_at(self, due_ns: int) -> None:
        """The last line of a round is due then: let the time pass up to it, or up to the run's end."""
        due_ns = due_ns if self.end_ns is None else min(due_ns, self.end_ns)
        self.asked_ns = due_ns - self._device.start_ns
        self._device.wait_until(due_ns)

    @property
    def end_ns(self) -> int | None:
        """Device time of the end, if it is given."""
        duration_ns = self._rounds.duration_ns
        return None if duration_ns is None else self._device.start_ns + duration_ns

    @property
    def telling_ns(self) -> int:
        """How long the run would have to be to tell whether files grow from round to round; 0 where it tells."""
        if len(self._held) > 1:
            return 0
        return max(2 * (self._held[0][0] if self._held else self._device.now_ns - self._device.start_ns), 1)

    @property
    def title(self) -> str:
        """What a report's title says of it."""
        return "" if self._done == 1 else f", {self._done:,} times"

    def progress(self, progress: Progress | None) -> Progress | None:
        """`progress` for all rounds in place of one."""
        if progress is None or self._rounds == ONCE:
            return progress

        def tell(done: int, whole: int) -> None:
            duration_ns = self._rounds.duration_ns
            if duration_ns is None:
                progress(done + whole * self._done, whole * self._rounds.count)
            else:
                progress(min(self._device.now_ns - self._device.start_ns, duration_ns), duration_ns)

        return tell

    def _goes_on(self) -> bool:
        if self.end_ns is None:
            return self._done < self._rounds.count
        return self._device.now_ns < self.end_ns or not self._done

    def _note_held(self) -> None:
        """Compare what the store holds with what it held after half as many rounds."""
        device = self._device
        at_ns, live_bytes = device.now_ns - device.start_ns, device.store.live_bytes
        if self._held:
            before_ns, before_bytes = self._held[-1]
            device.room.by_rounds = max(live_bytes - before_bytes, 0), at_ns - before_ns
        self._held.append((at_ns, live_bytes))

    def _check_work(self) -> None:
        """Refuse, after the first round, what would take for ever."""
        count, duration_ns = self._rounds.count, self._rounds.duration_ns
        if duration_ns is not None:
            took_ns = self._device.now_ns - self._device.start_ns
            if not took_ns:
                what = "its work takes 0 s of device time, so it would go on for ever"
                raise BadRecording(f"{self._ledger.source}: {what}; give --repeat")
            count = -(-duration_ns // took_ns)
        if count > 1 and count * self._lines > OPERATIONS_MAX:
            raise BadRecording(
                f"{self._ledger.source}: its {self._lines:,} lines {count:,} times, more than {OPERATIONS_MAX:,} are "
                "not carried out; ask for less, or say with --takes how long the device takes for what strace recorded"
            )
