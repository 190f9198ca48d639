"""How much was in use in the course of a run, in 32 to 64 stretches of equal length, however long the run is."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from itertools import pairwise

from simfs.store.batch.appends import LiveBytes

Growth = tuple[int, int]
"""So many bytes more in so many ns."""

STRETCHES_MAX = 64
STRETCH_NS_FIRST = 1 << 20
WINDOWS = 8  # of the whole history, where nothing comes more seldom
WINDOWS_MIN = 3  # compared: fewer tell nothing
SLIGHT = 500  # a rise below one part in so many of what is in use tells nothing


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

    def note_growth(self, ended_ns: Callable[[int], int], live_bytes: LiveBytes, less_bytes: int = 0) -> None:
        """Note as many appends, each by its number, with so much less in use than `live_bytes` says. What is in use
        only grows, so the last of a stretch is enough."""
        index, count = 0, len(live_bytes)
        last_ns = ended_ns(count - 1)
        while index < count:
            at_ns = ended_ns(index)
            self.note(at_ns, live_bytes[index] - less_bytes)
            next_ns = at_ns - at_ns % self.stretch_ns + self.stretch_ns
            if last_ns < next_ns:
                self.note(last_ns, live_bytes[count - 1] - less_bytes)
                return
            index = bisect_left(range(count), next_ns, lo=index + 1, key=ended_ns)
            self.note(ended_ns(index - 1), live_bytes[index - 1] - less_bytes)

    def _halve(self) -> None:
        """Two stretches become one."""
        if len(self.least) % 2:
            self.least.append(self._last)
            self.most.append(self._last)
        self.least = [min(pair) for pair in zip(self.least[::2], self.least[1::2], strict=True)]
        self.most = [max(pair) for pair in zip(self.most[::2], self.most[1::2], strict=True)]
        self.stretch_ns *= 2

    def growth(self, until_ns: int, period_ns: int = 0) -> Growth | None:
        """How much more came in the last three quarters, where what is in use went on growing in them; else None.

        Something may be written anew now and then, so only like is compared with like: the least of one window with
        the least of the next, each long enough to hold all that comes again within `period_ns`.
        """
        if self.by_rounds is not None:
            return self.by_rounds if self.by_rounds[0] else None
        self.note(until_ns, self._last)
        count = len(self.least)
        width = max(1, count // WINDOWS, -(-period_ns // self.stretch_ns))
        windows = count * 3 // 4 // width
        if count < STRETCHES_MAX // 2 or windows < WINDOWS_MIN:
            return None
        begins = range(count - windows * width, count, width)
        lows = [min(self.least[begin : begin + width]) for begin in begins]
        highs = [max(self.most[begin : begin + width]) for begin in begins]
        rise = lows[-1] - lows[0]
        if not _is_steady(lows) or 2 * (highs[-1] - highs[0]) < rise or SLIGHT * rise < highs[-1]:
            return None
        return rise, (windows - 1) * width * self.stretch_ns

    def newest_most(self) -> int:
        """The most that was in use in the last quarter."""
        return max(self.most[-max(1, len(self.most) // 4) :], default=self._last)


def _is_steady(levels: Sequence[int]) -> bool:
    """Whether they never fall, and rise nearly as along a straight line, which also stairs do."""
    rise, steps = levels[-1] - levels[0], len(levels) - 1
    apart = (abs((level - levels[0]) * steps - rise * step) for step, level in enumerate(levels))
    return all(before <= after for before, after in pairwise(levels)) and 4 * max(apart) <= rise * steps
