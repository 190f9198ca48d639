"""Which task wrote which bytes of a file that several tasks write."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator


class Owners:
    """Of one file. At first all of it is the first task's."""

    def __init__(self, task: str) -> None:
        self._starts, self._tasks = [0], [task]  # where each piece begins, and whose it is

    def wrote(self, begin: int, end: int, task: str) -> None:
        """The task has written these bytes of the file."""
        if begin == end:
            return
        starts, tasks = self._starts, self._tasks
        behind = tasks[bisect_right(starts, end) - 1]
        first, last = bisect_left(starts, begin), bisect_right(starts, end)
        starts[first:last] = [begin, end]
        tasks[first:last] = [task, behind]

    def of(self, begin: int, end: int) -> Iterator[tuple[str, int]]:
        """(task, bytes) of each piece between two offsets."""
        starts, tasks = self._starts, self._tasks
        at = bisect_right(starts, begin) - 1
        while begin < end:
            upto = min(end, starts[at + 1]) if at + 1 < len(starts) else end
            yield tasks[at], upto - begin
            begin, at = upto, at + 1
