"""The seam through which faults reach a flash: a plan that is asked before each operation takes effect."""

from __future__ import annotations

from typing import Protocol


class PowerCut(BaseException):
    """The power is gone. Not an Exception, so that no handler of errors swallows it.

    Once it was raised, every operation raises it again until `NorFlash.power_on()`.
    """


class NoPower(PowerCut):
    """An operation on a flash whose power is gone already: nothing happened."""


class FaultPlan(Protocol):
    """Asked before each operation, after it has been counted and found legal, so never about a refused one.

    `cells` is the whole flash, writable: a plan may change any byte (a bit that rots, what a cut operation leaves
    behind) and may then raise PowerCut. When it returns, the operation takes place. A flash without a plan never asks.
    """

    def before_read(self, cells: memoryview, address: int, length: int) -> None: ...

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None: ...

    def before_erase(self, cells: memoryview, address: int, length: int) -> None: ...
