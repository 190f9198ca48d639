"""A flash that is filled with one state after the other, and notes what changes it."""

from __future__ import annotations

from collections.abc import Callable

from simfs.flash import NorFlash
from simfs.flash.datasheet import Datasheet
from simfs.flash.trace import Change


class NotedFlash(NorFlash):
    """A flash that is cheap to reuse: filling it costs one copy of the cells, a new flash several. `changes` are those
    since it was filled; `touched` are the blocks that changed since `known_to`, if anybody, looked at all of them."""

    __slots__ = ("changes", "holds", "known_to", "touched")

    changes: list[Change]
    touched: set[int]
    known_to: object
    holds: Callable[[bytes, int], bool]  # whether these bytes stand at an address; no read of the chip

    @classmethod
    def blank_one(cls, datasheet: Datasheet, block_count: int) -> NotedFlash:
        """A flash to be filled."""
        flash = cls(block_count, datasheet=datasheet)
        flash.changes, flash.holds, flash.touched, flash.known_to = [], flash._starts_with, set(), None
        size = flash.geometry.block_bytes

        def programmed(address: int, data: bytes) -> None:
            flash.changes.append(Change(address, data))
            flash.touched.add(address // size)

        def erased(block: int) -> None:
            flash.changes.append(Change(block * size, None))
            flash.touched.add(block)

        flash.listen(programmed, erased)
        return flash

    def fill(self, cells: bytes | bytearray, page_programs: list[int]) -> None:
        """Take these cells, with nothing noted yet. The programs of each page since its erase are given if the part
        limits them."""
        self._cells[:] = cells
        self._page_programs[:] = page_programs
        self.changes, self.known_to = [], None
