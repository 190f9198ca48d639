"""A flash without faults that notes what changes it."""

from __future__ import annotations

from collections.abc import Callable

from simfs.flash import NorFlash
from simfs.flash.datasheet import Datasheet
from simfs.flash.trace import Change


class NotedFlash(NorFlash):
    """Notes each change once it took place. Reads take the quick way, as there is no fault plan to ask."""

    __slots__ = ("changes", "holds")

    changes: list[Change]
    holds: Callable[[bytes, int], bool]  # whether these bytes stand at an address; no read of the chip

    @classmethod
    def blank_one(cls, datasheet: Datasheet, block_count: int) -> NotedFlash:
        """A flash to be filled."""
        flash = cls(block_count, datasheet=datasheet)
        flash.changes, flash.holds = [], flash._starts_with
        return flash

    def fill(self, cells: bytes | bytearray, page_programs: list[int]) -> None:
        """Hold these cells from now on, and nothing noted yet; the programs of each page since its erase are given
        where the part limits them. Costs a copy, where a new flash costs several."""
        self._cells[:] = cells
        self._page_programs[:] = page_programs
        self.changes = []

    def program(self, address: int, data: bytes | bytearray | memoryview) -> None:
        super().program(address, data)
        self.changes.append(Change(address, bytes(data)))

    def erase(self, block: int) -> None:
        super().erase(block)
        self.changes.append(Change(block * self.geometry.block_bytes, None))
