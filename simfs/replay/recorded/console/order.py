"""Puts the lines of a console log in the order in which the firmware printed them, and finds out which are lost.

Lines are numbered from 0 at each boot. A line that comes early waits for those before it, as long as few lines wait;
then those before it are taken for lost. Lines that are the same to the letter as earlier ones are held back: what
follows them tells whether they were sent twice, or a later boot did the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

from simfs.replay.recorded.console.history import History
from simfs.replay.recorded.console.lines import Record

BOOT = "boot"
WAITING_MAX = 64
RECENT_MAX = 4096  # lines of a boot that are kept by their numbers
RUNS_OVER = 1 << 32  # ms of the firmware's clock

Tell = Callable[[int, str], None]
"""Called with a line of the log, and what is odd there."""


class Gap(NamedTuple):
    """Lines that are lost, by their numbers, before a line of the log."""

    line: int
    first: int
    last: int
    restarts: bool = False  # the numbers began anew with them: a boot is among them


class Order:
    """Takes lines as they come and gives them in order. `note` is called where nothing is lost, `doubt` where lines
    can be understood in two ways."""

    def __init__(self, note: Tell, doubt: Tell) -> None:
        self._note = note
        self._doubt = doubt
        self._next = 0
        self._time_ms = 0
        self._waiting: dict[int, Record] = {}
        self._recent: dict[int, str] = {}  # the checksum of each line of this boot, by its number
        self._history = History()
        self._held: list[Record] = []  # the same as earlier lines, in the order of those
        self._places: list[int] = []  # in the history, of the last line held
        self._below: Record | None = None  # its number is too low: the next line tells whether a boot was lost

    def follows(self, record: Record) -> bool:
        """Whether this is simply the next line, as most are. Then it need not be given to `take`."""
        if record.number != self._next or self._waiting or self._held or self._below is not None:
            return False
        if record.operation == BOOT or self._is_before(record) or record in self._history or record.boot is not None:
            return False
        self._next, self._time_ms = record.number + 1, record.time_ms
        self._remember(record)
        return True

    def take(self, record: Record) -> Iterator[Record | Gap]:
        """The lines, and gaps, that follow now."""
        if self._below is not None:
            yield from self._settle_below(self._below, record)
        if self._held:
            places = self._history.after(self._places, record)
            if places:
                self._held.append(record)
                self._places = places
                return
            yield from self._settle_held(record)
        yield from self._sort(record)

    def finish(self) -> Iterator[Record | Gap]:
        """What is left at the end of the log."""
        if self._below is not None:
            self._drop(self._below)
        yield from self._settle_held(None)
        yield from self._release(0)

    def _sort(self, record: Record) -> Iterator[Record | Gap]:
        check = self._recent.get(record.number)
        if record in self._history:
            self._held, self._places = [record], self._history.places(record)
        elif record.operation == BOOT:
            yield from self._boot(record)
        elif check is not None and record.number not in self._waiting:
            yield from self._restart(record)
        elif check is None and record.number < self._next:
            self._below = record
        else:
            yield from self._accept(record)

    def _accept(self, record: Record) -> Iterator[Record | Gap]:
        if record.number in self._waiting:  # of another boot
            self._drop(self._waiting.pop(record.number))
        if self._waiting and record.number < max(self._waiting):
            self._note(record.line, f"number {record.number} came late: put in its place")
        self._waiting[record.number] = record
        self._remember(record)
        yield from self._release(WAITING_MAX)

    def _release(self, waiting_max: int) -> Iterator[Record | Gap]:
        """Give the lines that are due. If too many wait, the lines missing before them are lost."""
        while self._waiting:
            if self._next not in self._waiting:
                if len(self._waiting) <= waiting_max:
                    return
                record = min(self._waiting.values(), key=lambda record: record.number)
                yield Gap(record.line, self._next, record.number - 1, restarts=self._is_before(record))
                self._next = record.number
            else:
                record = self._waiting[self._next]
                if self._is_before(record):  # one boot's line stands behind another one's, and the numbers fit
                    yield Gap(record.line, 0, record.number - 1, restarts=True)
            if self._is_before(record):
                self._another_boot()
            del self._waiting[record.number]
            self._next, self._time_ms = record.number + 1, record.time_ms
            yield record

    # --- boots and repeats -------------------------------------------------------------------------------------------

    def _settle_held(self, record: Record | None) -> Iterator[Record | Gap]:
        """Decide about the lines held back, now that `record` comes; None at the end of the log."""
        held, self._held = self._held, []
        if not held:
            return
        first, last = held[0], held[-1]
        is_line = record is not None and record.operation != BOOT
        goes_on = is_line and record is not None and record.number == self._next and not self._is_before(record)
        follows = is_line and record is not None and record.number == last.number + 1
        over_boots = any(line.operation == BOOT for line in held[1:])
        if (goes_on and not follows) or not self._may_be_printed(first):
            self._leave_out(held, self._note)
        elif over_boots if first.operation != BOOT else goes_on and not over_boots and last.time_ms != first.time_ms:
            self._leave_out(held, self._doubt)
        else:
            if over_boots or goes_on or not follows:  # else another boot has surely done the same up to here
                self._doubt(first.line, _taken(held))
            yield from self._print(held)

    def _may_be_printed(self, record: Record) -> bool:
        """Whether a line that is the same as an earlier one has a place here."""
        if record.operation == BOOT:
            return True
        return not (record.number in self._recent or record.number < self._next or self._is_before(record))

    def _print(self, lines: list[Record]) -> Iterator[Record | Gap]:
        for line in lines:
            yield from self._boot(line) if line.operation == BOOT else self._accept(line)

    def _settle_below(self, below: Record, record: Record) -> Iterator[Record | Gap]:
        """Decide about the line before `record`."""
        self._below = None
        goes_on = record.number == self._next and record.operation != BOOT
        if record.number == below.number + 1 and not goes_on:
            yield from self._restart(below)
        else:
            self._drop(below)

    def _boot(self, record: Record) -> Iterator[Record | Gap]:
        yield from self._release(0)
        self._another_boot()
        yield record
        self._next, self._time_ms = record.number + 1, record.time_ms
        self._remember(record)

    def _restart(self, record: Record) -> Iterator[Record | Gap]:
        """The numbers began anew, and the line that says so is lost."""
        yield from self._release(0)
        yield Gap(record.line, 0, record.number - 1, restarts=True)
        self._another_boot()
        self._next, self._time_ms = record.number, record.time_ms
        yield from self._accept(record)

    def _another_boot(self) -> None:
        """What was read so far is of the boots before, except for the lines that wait."""
        self._recent = {number: record.check for number, record in self._waiting.items()}

    def _is_before(self, record: Record) -> bool:
        """Whether its time is before that of the last line. Within a boot time never goes back; it may run over."""
        return 0 < self._time_ms - record.time_ms < RUNS_OVER >> 1

    def _remember(self, record: Record) -> None:
        self._history.add(record)
        self._recent[record.number] = record.check
        if len(self._recent) > 2 * RECENT_MAX:
            self._recent = dict(list(self._recent.items())[-RECENT_MAX:])

    def _leave_out(self, lines: list[Record], tell: Tell) -> None:
        tell(lines[0].line, f"{_numbers(lines)} came twice: left out the second time")

    def _drop(self, record: Record) -> None:
        self._note(record.line, f"number {record.number} is out of place: left out")


def _taken(lines: list[Record]) -> str:
    """What is told of lines that count, though they may have been sent again."""
    are = "is" if len(lines) == 1 else "are"
    taken = "a second boot" if lines[0].operation == BOOT else "printed a second time"
    return f"{_numbers(lines)} {are} the same to the letter as before: taken for {taken}"


def _numbers(lines: list[Record]) -> str:
    """Which lines these are, for people."""
    numbers = [str(line.number) for line in lines if line.operation != BOOT]
    boots = len(lines) - len(numbers)
    parts = ["the boot line"] * (boots == 1) + [f"{boots} boot lines"] * (boots > 1)
    if boots > 1:
        parts.append(f"{len(numbers)} lines behind them")
    elif numbers:
        parts.append(f"number {numbers[0]}" if len(numbers) == 1 else f"numbers {numbers[0]} to {numbers[-1]}")
    return " and ".join(parts)
