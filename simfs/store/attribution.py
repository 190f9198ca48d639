"""Tells listeners what a store does to its flash, each program and erase with its cause.

An append does not say its cause. The cause follows from the address of the program, from the kind of the frame, and
from what the cleaner is doing, which the cleaner notes once for each block that it cleans.
"""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.store.format.codec import NOWHERE, Kind
from simfs.store.log.heads import Head
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause, StoreListener
from simfs.store.volume import Volume

CAUSES = {
    0: Cause.LOG_RECORD,  # a fence; and no frame needed room yet
    int(Kind.DATA): Cause.DATA,
    int(Kind.HOLE): Cause.DATA,
    int(Kind.NAME): Cause.NAME,
    int(Kind.RENAME): Cause.NAME,
    int(Kind.REMOVE): Cause.NAME,
    int(Kind.BAD): Cause.LOG_RECORD,
    int(Kind.LEFT): Cause.LOG_RECORD,
    int(Kind.SKIP): Cause.LOG_RECORD,
    int(Kind.STATEMENT): Cause.LOG_RECORD,
}
"""The cause of a frame by its kind."""
STRUCTURE = (0, int(Kind.STATEMENT))  # these are written anew each time, also while the cleaner moves frames


class Attribution:
    """Stays with a flash over the mounts of its store: `let_go` before one, `follow` after it."""

    def __init__(self, flash: NorFlash, volume: Volume) -> None:
        self._listeners: list[StoreListener] = []
        self._cause = Cause.LOG_RECORD  # of the program before
        self._states = list(volume.state.blocks.state)
        self.follow(volume)
        flash.listen(self._on_program, self._on_erase)

    def add(self, listener: StoreListener) -> None:
        """Add a listener."""
        self._listeners.append(listener)

    def follow(self, volume: Volume) -> None:
        """Follow this store, just mounted, with the blocks as the mount found them."""
        self._recovers, self._goes_on_at = False, NOWHERE
        self._heads: list[Head | None] = volume.state.log.heads
        self._cleaner = volume.cleaner
        volume.state.blocks.on_change = self._on_change
        for block, after in enumerate(volume.state.blocks.state):
            if self._states[block] != after:
                self._on_change(block, self._states[block], after)

    def let_go(self) -> None:
        """Stop following the store: everything until the next `follow` is recovery."""
        self._recovers, self._heads = True, []

    def _on_program(self, address: int, data: bytes) -> None:
        """A head moves on once its frame is programmed: what is programmed where it stands begins a frame, and what
        comes next at the place where the last program ended goes on with one. Everything else is structure: marks,
        statements, seals, which nobody asked for."""
        for head in self._heads:
            if head is not None and head.at == address:
                known = CAUSES.get(data[0])  # None: half of a mark, on a part that takes few programs of a page
                if known is None or data[0] in STRUCTURE:
                    self._cause = Cause.LOG_RECORD
                else:
                    self._cause = self._cleaner.cause or known
                break
        else:
            if self._recovers:
                self._cause = Cause.RECOVERY
            elif address != self._goes_on_at:
                self._cause = Cause.LOG_RECORD
        self._goes_on_at = address + len(data)
        for listener in self._listeners:
            listener.programmed(address, data, self._cause)

    def _on_erase(self, block: int) -> None:
        cause = Cause.RECOVERY if self._recovers else self._cleaner.cause or CAUSES[self._cleaner.makes_room_for]
        for listener in self._listeners:
            listener.erased(block, cause)

    def _on_change(self, block: int, before: State, after: State) -> None:
        self._states[block] = after
        for listener in self._listeners:
            listener.block_changed(block, before, after)
