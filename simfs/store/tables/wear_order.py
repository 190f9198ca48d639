"""Blocks in order of their wear."""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Iterable


class Ranking(list[tuple[int, int]]):
    """(erase count, block) in order. A plain list: moving a few thousand pointers takes less than keeping a tree."""

    def add(self, entry: tuple[int, int]) -> None:
        insort(self, entry)

    def update(self, entries: Iterable[tuple[int, int]]) -> None:
        """Add many."""
        self.extend(entries)
        self.sort()

    def remove(self, entry: tuple[int, int]) -> None:
        """ValueError when it is not there."""
        at = bisect_left(self, entry)
        if at == len(self) or self[at] != entry:
            raise ValueError(f"{entry} is not ranked")
        del self[at]

    def discard(self, entry: tuple[int, int]) -> None:
        """Remove it where it is there."""
        at = bisect_left(self, entry)
        if at < len(self) and self[at] == entry:
            del self[at]
