"""The lines of a console log that were read so far, to know those that come a second time."""

from __future__ import annotations

from simfs.replay.recorded.console.lines import Record

KEPT_MAX = 65_536  # lines whose repetition is known as one; the older half goes when there are more
PLACES_MAX = 8  # of the same line, as a device has that boots over and over


class History:
    """Lines in the order in which they came, each known by its number and its checksum."""

    def __init__(self) -> None:
        self._lines: list[tuple[int, str]] = []
        self._places: dict[tuple[int, str], list[int]] = {}

    def __contains__(self, record: Record) -> bool:
        return (record.number, record.check) in self._places

    def add(self, record: Record) -> None:
        if len(self._lines) >= KEPT_MAX:
            self._forget()
        self._enter((record.number, record.check))

    def places(self, record: Record) -> list[int]:
        """Where the line stands, the last few places."""
        return list(self._places.get((record.number, record.check), ()))

    def after(self, places: list[int], record: Record) -> list[int]:
        """The places behind these at which the line stands."""
        line = record.number, record.check
        return [at + 1 for at in places if at + 1 < len(self._lines) and self._lines[at + 1] == line]

    def _enter(self, line: tuple[int, str]) -> None:
        places = self._places.setdefault(line, [])
        places.append(len(self._lines))
        del places[:-PLACES_MAX]
        self._lines.append(line)

    def _forget(self) -> None:
        kept = self._lines[KEPT_MAX // 2 :]
        self._lines, self._places = [], {}
        for line in kept:
            self._enter(line)
