"""Records that a firmware gathers in RAM of its own, so as to write several of them with one open, write, close."""

from __future__ import annotations

from collections.abc import Callable


class Gathering:
    """Those of one operation, at most so many; `put` writes bytes to the file of a name."""

    def __init__(self, most: int, put: Callable[[str, bytes], None]) -> None:
        self._most, self._put = most, put
        self._records: list[bytes] = []
        self.file = ""  # that the records belong to

    @property
    def lengths(self) -> tuple[int, ...]:
        """Of the records that wait."""
        return tuple(map(len, self._records))

    def add(self, file: str, record: bytes) -> None:
        """Take one more. What waits for another file, as yesterday's, is written there first."""
        if file != self.file:
            self._write()
            self.file = file
        self._records.append(record)
        if len(self._records) == self._most:
            self._write()

    def lose(self) -> int:
        """A reset leaves nothing of what waits; how many records that were."""
        lost = len(self._records)
        self._records.clear()
        return lost

    def _write(self) -> None:
        if self._records:
            data = b"".join(self._records)
            self._records.clear()
            self._put(self.file, data)
