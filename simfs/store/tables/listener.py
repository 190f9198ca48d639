"""What a listener learns from a store: what the store does to the flash and why, and each block's state."""

from __future__ import annotations

from enum import StrEnum

from simfs.store.tables.blocks import State


class Cause(StrEnum):
    """Why the flash is programmed or erased.

    data        bytes of files that the host wrote, holes included
    name        names given, changed and taken away
    log record  how blocks belong together: statements, marks, seals, what is told of bad blocks
    relocation  what cleaning writes again, or erases to have room for it
    levelling   the same for a block that was cleaned only to level the wear
    recovery    everything that a mount does

    A program has the cause of the bytes that it writes. An erase has that of the frame that needs the room.
    """

    DATA = "data"
    NAME = "name"
    LOG_RECORD = "log record"
    RELOCATION = "relocation"
    LEVELLING = "levelling"
    RECOVERY = "recovery"


class StoreListener:
    """Follows what a store does. Every method does nothing here: override those you want."""

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        """One program of the flash. It comes after the flash has counted it and before the cells change, even if it
        then fails."""

    def erased(self, block: int, cause: Cause) -> None:
        """One erase of the flash, in the same way."""

    def block_changed(self, block: int, before: State, after: State) -> None:
        """A block has changed its state."""
