"""Puts the lines of a console log in the order in which the firmware printed them, and finds out which are lost.

Lines are numbered from 0 at each boot. A line that comes early waits for those before it, as long as few lines wait;
then those before it are taken for lost.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

from simfs.replay.recorded.console.lines import Record

BOOT = "boot"
WAITING_MAX = 64
RECENT_MAX = 4096  # lines whose repetition is known as one


class Gap(NamedTuple):
    """Lines that are lost, by their numbers, before a line of the log."""

    line: int
    first: int
    last: int
    restarts: bool = False  # the numbers began anew with them: a boot is among them


class Order:
    """Takes lines as they come and gives them in order. `note` gets the line of the log and what is odd there."""

    def __init__(self, note: Callable[[int, str], None]) -> None:
        self._note = note
        self._next = 0
        self._waiting: dict[int, Record] = {}
        self._recent: dict[int, str] = {}  # the checksum of each line of this boot, by its number
        self._doubt: Record | None = None  # repeats a boot, or begins anew without one: the next line tells
        self._time_ms = 0

    def follows(self, record: Record) -> bool:
        """Whether this is simply the next line, as most are. Then it need not be given to `take`."""
        if record.number != self._next or self._waiting or self._doubt is not None or record.operation == BOOT:
            return False
        self._next, self._time_ms = record.number + 1, record.time_ms
        self._remember(record)
        return True

    def take(self, record: Record) -> Iterator[Record | Gap]:
        """The lines, and gaps, that follow now."""
        if self._doubt is not None:
            yield from self._settle(self._doubt, record)
        check = self._recent.get(record.number)
        if record.operation == BOOT:
            if check == record.check:
                self._doubt = record
            else:
                yield from self._boot(record)
        elif check == record.check:
            self._note(record.line, f"number {record.number} came twice: left out the second time")
        elif check is not None and record.number not in self._waiting:
            yield from self._restart(record)
        elif check is None and record.number < self._next:
            self._doubt = record
        else:
            yield from self._accept(record)

    def finish(self) -> Iterator[Record | Gap]:
        """What is left at the end of the log."""
        doubt, self._doubt = self._doubt, None
        if doubt is not None and doubt.operation == BOOT:
            yield from self._boot(doubt)
        elif doubt is not None:
            self._drop(doubt)
        yield from self._release(0)

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
                yield self._gap(min(self._waiting.values(), key=lambda record: record.number))
            record = self._waiting.pop(self._next)
            self._next += 1
            self._time_ms = record.time_ms
            yield record

    def _gap(self, record: Record) -> Gap:
        """The gap before this line. If its time is earlier than that of the line before the gap, a boot is lost too."""
        earlier_ms = self._time_ms - record.time_ms
        gap = Gap(record.line, self._next, record.number - 1, restarts=0 < earlier_ms < 1 << 31)
        self._next = record.number
        return gap

    def _settle(self, doubt: Record, record: Record) -> Iterator[Record | Gap]:
        """Decide about the line before `record`."""
        self._doubt = None
        goes_on = record.number == self._next and record.operation != BOOT
        if goes_on and (doubt.operation != BOOT or self._next > 1):  # else it may be a device that boots over and over
            self._drop(doubt)
        elif doubt.operation == BOOT:
            yield from self._boot(doubt)
        elif record.number == doubt.number + 1:
            yield from self._restart(doubt)
        else:
            self._drop(doubt)

    def _boot(self, record: Record) -> Iterator[Record | Gap]:
        yield from self._release(0)
        self._begin(record)
        yield record
        self._next, self._time_ms = record.number + 1, record.time_ms
        self._remember(record)

    def _restart(self, record: Record) -> Iterator[Record | Gap]:
        """The numbers began anew, and the line that says so is lost."""
        yield from self._release(0)
        yield Gap(record.line, 0, record.number - 1, restarts=True)
        self._begin(record)
        yield from self._accept(record)

    def _begin(self, record: Record) -> None:
        self._recent.clear()
        self._next, self._time_ms = record.number, record.time_ms

    def _remember(self, record: Record) -> None:
        self._recent[record.number] = record.check
        if len(self._recent) > 2 * RECENT_MAX:
            self._recent = dict(list(self._recent.items())[-RECENT_MAX:])

    def _drop(self, record: Record) -> None:
        self._note(record.line, f"number {record.number} is out of place: left out")
