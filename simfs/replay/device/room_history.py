"""How much was in use in the course of a run, in 32 to 64 stretches of equal length, however long the run is."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable

from simfs.store.batch.appends import LiveBytes

Growth = tuple[int, int]
"""So many bytes more in so many ns."""

STRETCHES_MAX = 64
STRETCH_NS_FIRST = 1 << 20


class RoomHistory:
    """The least and the most that was in use in each stretch. Costs less than 1 us a note, and no flash operations."""

    def __init__(self) -> None:
        self.stretch_ns = STRETCH_NS_FIRST
        self.least: list[int] = []
        self.most: list[int] = []
        self._last = 0
        self.by_rounds: Growth | None = None  # of a recording that is carried on: from one round's end to a later one's

    def note(self, at_ns: int, live_bytes: int) -> None:
        """So much is in use from then on; never earlier than the note before."""
        index = at_ns // self.stretch_ns
        if index >= len(self.least):
            while index >= STRETCHES_MAX:
                self._halve()
                index = at_ns // self.stretch_ns
            while index >= len(self.least):
                self.least.append(self._last)
                self.most.append(self._last)
        if live_bytes < self.least[index]:
            self.least[index] = live_bytes
        elif live_bytes > self.most[index]:
            self.most[index] = live_bytes
        self._last = live_bytes

    def note_growth(self, ended_ns: Callable[[int], int], live_bytes: LiveBytes) -> None:
        """Note as many appends, each by its number. What is in use only grows, so the last of a stretch is enough."""
        index, count = 0, len(live_bytes)
        last_ns = ended_ns(count - 1)
        while index < count:
            at_ns = ended_ns(index)
            self.note(at_ns, live_bytes[index])
            next_ns = at_ns - at_ns % self.stretch_ns + self.stretch_ns
            if last_ns < next_ns:
                self.note(last_ns, live_bytes[count - 1])
                return
            index = bisect_left(range(count), next_ns, lo=index + 1, key=ended_ns)
            self.note(ended_ns(index - 1), live_bytes[index - 1])

    def _halve(self) -> None:
        """Two stretches become one."""
        if len(self.least) % 2:
            self.least.append(self._last)
            self.most.append(self._last)
        self.least = [min(pair) for pair in zip(self.least[::2], self.least[1::2], strict=True)]
        self.most = [max(pair) for pair in zip(self.most[::2], self.most[1::2], strict=True)]
        self.stretch_ns *= 2

    def growth(self, until_ns: int) -> Growth | None:
        """How much more came, where what is in use went on growing until then: where it was never as little in the last
        quarter as it had been at most in the first half. None where it did not."""
        if self.by_rounds is not None:
            return self.by_rounds if self.by_rounds[0] else None
        self.note(until_ns, self._last)
        count = len(self.least)
        if count < STRETCHES_MAX // 2:
            return None
        half, quarter = count // 2, count // 4
        if min(self.least[-quarter:]) <= max(self.most[:half]):
            return None
        return max(self.most[-quarter:]) - max(self.most[half - quarter : half]), (count - half) * self.stretch_ns
