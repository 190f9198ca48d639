"""Appends of any length, one by one, to find out how many go together."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from simfs.store.batch.programs import Programs, programs_in_all
from simfs.store.format.codec import FRAME_BYTES
from simfs.store.format.layout import align_up

if TYPE_CHECKING:
    from simfs.store.batch.appends import Stretch


class Filling:
    """Appends of any length, as long as they fit."""

    def __init__(self, stretch: Stretch) -> None:
        self._stretch = stretch
        self._at, self._left_bytes = stretch.at, stretch.total_bytes_max
        self.lengths: list[int] = []
        self._each: list[int] = []

    def add(self, length: int, is_usual: Callable[[int], bool]) -> int:
        """The programs of an append of this length behind the others; 0 where it has to be done by itself."""
        stretch, at = self._stretch, self._at
        if not 0 < length <= stretch.record_bytes_max or at + length > stretch.end or length > self._left_bytes:
            return 0
        size, page_bytes = FRAME_BYTES + length, stretch.page_bytes
        programs = (at % page_bytes + align_up(size, stretch.unit_bytes) + page_bytes - 1) // page_bytes
        if len(self.lengths) >= stretch.count_max or not is_usual(programs):
            return 0
        self._at = at + align_up(size, stretch.step)
        self._left_bytes -= length
        self.lengths.append(length)
        self._each.append(programs)
        return programs

    def programs(self) -> Programs:
        """Those of all of them."""
        return programs_in_all(tuple(self._each))
