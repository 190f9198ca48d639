"""Puts lines that carry the number of their boot in order. As long as no two boots have the same number a line is known
by the two numbers, so nothing is in doubt."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from simfs.replay.recorded.console.lines import Record
from simfs.replay.recorded.console.order import BOOT, RECENT_MAX, WAITING_MAX, Gap, Tell


class _Past(NamedTuple):
    """A boot that is over."""

    next: int  # the number that one more line of it would have had
    check: str  # of its boot line; empty where that is lost


class NumberedOrder:
    """Takes lines as they come and gives them in order. `note` is called where nothing is lost, `doubt` where something
    may be."""

    def __init__(self, note: Tell, doubt: Tell) -> None:
        self._note = note
        self._doubt = doubt
        self._boot: int | None = None
        self._boot_check = ""
        self._next = 0
        self._recent: dict[int, str] = {}  # the checksum of each line of this boot, by its number
        self._waiting: dict[int, Record] = {}
        self._past: dict[int, _Past] = {}
        self._again: list[Record] = []  # came twice, in a row

    def follows(self, record: Record) -> bool:
        """Whether this is simply the next line, as most are. Then it need not be given to `take`."""
        if record.boot != self._boot or record.number != self._next or self._waiting or self._again or not self._next:
            return False
        self._next += 1
        self._remember(record)
        return True

    def take(self, record: Record) -> Iterator[Record | Gap]:
        """The lines, and gaps, that follow now."""
        assert record.boot is not None
        past = self._past.get(record.boot) if record.boot != self._boot else None
        check = past.check if past else self._recent.get(record.number) if record.boot == self._boot else None
        if record.operation == BOOT and check not in (None, "", record.check):
            self._doubt(record.line, f"another boot has the number {record.boot} as well")
            yield from self._begin(record)
        elif past is not None:
            self._leave_out(record, came_before=record.number < past.next)
        elif record.boot != self._boot:
            yield from self._begin(record)
        elif check is not None or record.number < self._next:
            forgotten = check is None and record.number < min(self._recent, default=0)
            self._leave_out(record, came_before=forgotten or check == record.check)
        else:
            yield from self._sort(record)

    def finish(self) -> Iterator[Record | Gap]:
        """What is left at the end of the log."""
        self._tell_again()
        yield from self._release(0)

    def _begin(self, record: Record) -> Iterator[Record | Gap]:
        """A line of a boot that is not known yet."""
        yield from self.finish()
        if self._boot is not None:
            self._past[self._boot] = _Past(self._next, self._boot_check)
        self._boot, self._boot_check, self._next, self._recent = record.boot, "", 0, {}
        yield from self._sort(record)

    def _sort(self, record: Record) -> Iterator[Record | Gap]:
        self._tell_again()
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
                first = min(self._waiting)
                another_boot = not self._next and bool(self._past)
                yield Gap(self._waiting[first].line, self._next, first - 1, restarts=another_boot)
                self._next = first
            yield self._waiting.pop(self._next)
            self._next += 1

    def _remember(self, record: Record) -> None:
        self._recent[record.number] = record.check
        if not record.number:
            self._boot_check = record.check
        if len(self._recent) > 2 * RECENT_MAX:
            self._recent = dict(list(self._recent.items())[-RECENT_MAX:])

    def _leave_out(self, record: Record, *, came_before: bool) -> None:
        """A line that came twice, or one that is out of place and so lost."""
        if came_before:
            if self._again and (record.boot, record.number) != (self._again[-1].boot, self._again[-1].number + 1):
                self._tell_again()
            self._again.append(record)
        else:
            self._doubt(record.line, f"number {record.number} of boot {record.boot} is out of place: left out")

    def _tell_again(self) -> None:
        lines, self._again = self._again, []
        if lines:
            first, last = lines[0], lines[-1]
            numbers = f"number {first.number}" if len(lines) == 1 else f"numbers {first.number} to {last.number}"
            self._note(first.line, f"{numbers} of boot {first.boot} came twice: left out the second time")
