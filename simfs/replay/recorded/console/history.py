"""The lines of a console log that were read so far, to know those that come a second time."""

from __future__ import annotations

from simfs.replay.recorded.console.lines import Record

KEPT_MAX = 65_536  # lines whose repetition is known as one; the older half goes when there are more
PLACES_MAX = 8  # of the same line, as a device has that boots over and over


class History:
    """Lines in the order in which they came, each known by its number and its checksum."""

    def __init__(self) -> None:
        self._lines: list[tuple[int, str]] = []
        self._first = 0  # how many lines before these are forgotten
        self._places: dict[tuple[int, str], list[int]] = {}  # counted from the first line of the log

    def __contains__(self, record: Record) -> bool:
        return (record.number, record.check) in self._places

    def add(self, record: Record) -> None:
        line = record.number, record.check
        at = self._first + len(self._lines)
        places = self._places.get(line)
        if places is None:
            self._places[line] = [at]
        else:
            places.append(at)
            del places[:-PLACES_MAX]
        self._lines.append(line)
        if len(self._lines) >= KEPT_MAX:
            self._forget()

    def places(self, record: Record) -> list[int]:
        """Where the line stands, the last few places."""
        return list(self._places.get((record.number, record.check), ()))

    def after(self, places: list[int], record: Record) -> list[int]:
        """The places behind these at which the line stands."""
        line = record.number, record.check
        behind = (at + 1 for at in places)
        end = self._first + len(self._lines)
        return [at for at in behind if self._first <= at < end and self._lines[at - self._first] == line]

    def _forget(self) -> None:
        gone = self._lines[: KEPT_MAX // 2]
        del self._lines[: KEPT_MAX // 2]
        self._first += len(gone)
        for line in gone:
            places = self._places.get(line)
            if places is not None and places[-1] < self._first:
                del self._places[line]
