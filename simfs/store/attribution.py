"""Tells listeners what a store does to its flash, each program and erase with its cause.

An append does not say its cause. The cause follows from the address of the program, from the kind of the frame, and
from what the cleaner is doing, which the cleaner notes once for each block that it cleans.
"""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.store.format.codec import Kind
from simfs.store.log.heads import Head
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause, StoreListener
from simfs.store.volume import Volume

CAUSES = {
    0: Cause.HEADER,  # no frame needed room yet
    int(Kind.DATA): Cause.DATA,
    int(Kind.HOLE): Cause.DATA,
    int(Kind.NAME): Cause.NAME,
    int(Kind.RENAME): Cause.NAME,
    int(Kind.REMOVE): Cause.NAME,
    int(Kind.BAD): Cause.HEADER,
    int(Kind.MARK): Cause.HEADER,
}
"""The cause of a frame by its kind."""


class Attribution:
    """Stays with a flash over the mounts of its store: `let_go` before one, `follow` after it."""

    def __init__(self, flash: NorFlash, volume: Volume) -> None:
        self._listeners: list[StoreListener] = []
        self._cause = Cause.HEADER  # of the frame that was begun last
        self._states = list(volume.state.blocks.state)
        self.follow(volume)
        flash.listen(self._on_program, self._on_erase)

    def add(self, listener: StoreListener) -> None:
        """Add a listener."""
        self._listeners.append(listener)

    def follow(self, volume: Volume) -> None:
        """Follow this store, just mounted, with the blocks as the mount found them."""
        self._of_no_frame = Cause.HEADER
        self._heads: list[Head | None] = volume.state.log.heads
        self._cleaner = volume.cleaner
        volume.state.blocks.on_change = self._on_change
        for block, after in enumerate(volume.state.blocks.state):
            if self._states[block] != after:
                self._on_change(block, self._states[block], after)

    def let_go(self) -> None:
        """Stop following the store: everything until the next `follow` is recovery."""
        self._of_no_frame, self._heads = Cause.RECOVERY, []

    def _on_program(self, address: int, data: bytes) -> None:
        """A head moves on once its frame is programmed: what is programmed where it stands begins a frame, what comes
        behind that place goes on with one, and what comes before it is a fence. A block that is no head is programmed
        with what it says of itself."""
        cause = self._of_no_frame
        for head in self._heads:
            if head is None or not head.start <= address < head.end:
                continue
            if address == head.at:
                self._cause = self._cleaner.cause or CAUSES[data[0]]
            if address >= head.at:
                cause = self._cause
        for listener in self._listeners:
            listener.programmed(address, data, cause)

    def _on_erase(self, block: int) -> None:
        cause = self._of_no_frame
        if cause is not Cause.RECOVERY:
            cause = self._cleaner.cause or CAUSES[self._cleaner.makes_room_for]
        for listener in self._listeners:
            listener.erased(block, cause)

    def _on_change(self, block: int, before: State, after: State) -> None:
        self._states[block] = after
        for listener in self._listeners:
            listener.block_changed(block, before, after)
