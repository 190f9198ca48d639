"""What reached the chip, in order: enough to build every state that the flash went through."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from simfs.flash.faults import FaultHooks

OnProgram = Callable[[int, bytes], None]
"""Called with the address and the data of a program."""
OnErase = Callable[[int], None]
"""Called with the block of an erase."""


class Change(NamedTuple):
    """One program (`data`) or one erase of a block (`data` is None), as it reached the chip."""

    address: int
    data: bytes | None


class Trace(FaultHooks):
    """A plan without faults that notes each change before it takes place: `NorFlash(faults=Trace())`."""

    def __init__(self) -> None:
        self.changes: list[Change] = []

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self.changes.append(Change(address, bytes(data)))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self.changes.append(Change(address, None))
