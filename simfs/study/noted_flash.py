"""A flash without faults that notes what changes it."""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.flash.datasheet import Datasheet
from simfs.flash.trace import Change


class NotedFlash(NorFlash):
    """Notes each change once it took place. Reads take the quick way, as there is no fault plan to ask."""

    __slots__ = ("changes",)

    changes: list[Change]

    @classmethod
    def holding(cls, cells: bytes | bytearray, datasheet: Datasheet) -> NotedFlash:
        """A flash with these cells, and nothing noted yet."""
        flash = cls(len(cells) // datasheet.block_bytes, datasheet=datasheet)
        flash._cells[:] = cells
        flash.changes = []
        return flash

    def program(self, address: int, data: bytes | bytearray | memoryview) -> None:
        super().program(address, data)
        self.changes.append(Change(address, bytes(data)))

    def erase(self, block: int) -> None:
        super().erase(block)
        self.changes.append(Change(block * self.geometry.block_bytes, None))

    def holds(self, address: int, data: bytes) -> bool:
        """Whether `data` stands there; no read of the chip."""
        return self._starts_with(data, address)
