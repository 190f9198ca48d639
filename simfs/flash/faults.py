"""How faults reach a flash: it asks a plan before each operation takes effect."""

from __future__ import annotations

import errno
from typing import Protocol

from simfs.flash.datasheet import Datasheet
from simfs.flash.geometry import Geometry


class PowerCut(BaseException):
    """The power is gone. It is no Exception, so that no error handler swallows it.

    After the first, every operation raises it again until `NorFlash.power_on()`.
    """


class NoPower(PowerCut):
    """An operation on a flash whose power was gone before: nothing happened."""


class FlashError(OSError):
    """The chip reports that an operation failed (EIO). `operation` is "read", "program" or "erase", `address` where it
    began. A read has given nothing; what a failed program or erase leaves in its cells is not certain."""

    def __init__(self, operation: str, address: int) -> None:
        super().__init__(errno.EIO, f"the flash reports that the {operation} at {address} failed")
        self.operation, self.address = operation, address

    def __reduce__(self) -> tuple[type[FlashError], tuple[str, int]]:
        return FlashError, (self.operation, self.address)


class FaultPlan(Protocol):
    """What a flash asks before each operation, after it has counted it and found it legal; never about a refused one.

    `cells` is the whole flash, writable: a plan may change any byte (a bit that rots, what a cut operation leaves
    behind) and may then raise PowerCut or FlashError. When it returns, the operation takes place. A flash without a
    plan never asks.
    """

    def before_read(self, cells: memoryview, address: int, length: int) -> None: ...

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None: ...

    def before_erase(self, cells: memoryview, address: int, length: int) -> None: ...


class FaultHooks:
    """A base class for fault plans that are also asked after operations and at power-on. It does nothing itself."""

    def attach(self, geometry: Geometry, datasheet: Datasheet) -> None:
        """Called with the flash that the plan is for, before its first operation."""

    def before_read(self, cells: memoryview, address: int, length: int) -> None: ...

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None: ...

    def before_erase(self, cells: memoryview, address: int, length: int) -> None: ...

    def after_program(self, cells: memoryview, address: int, data: bytes) -> None:
        """The program is done; may change cells and raise FlashError."""

    def after_erase(self, cells: memoryview, address: int, length: int) -> int:
        """The erase is done; may change cells and raise FlashError. Returns the time beyond the typical one, ns."""
        return 0

    def power_on(self, cells: memoryview) -> None:
        """The power is back: cells may read differently."""
