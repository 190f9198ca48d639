"""Room: whether an operation may have it, and the cleaning that gets it."""

from __future__ import annotations

import errno
import os

from simfs.store.cleaning.cleaner import Cleaner
from simfs.store.format.errors import OutOfBlocks
from simfs.store.log.state import StoreState
from simfs.store.tables.spans import FileNode


class Room:
    """Keeps a store within its capacity. A read-only store has no room for anything."""

    def __init__(self, state: StoreState, cleaner: Cleaner) -> None:
        self.state = state
        self.cleaner = cleaner
        self._layout = state.layout
        self._buffer_bytes = state.layout.buffer_bytes

    def admit(self, growth: int, name: bytes | None) -> None:
        """ENOSPC when `growth` bytes of room more would pass the capacity, and cleaning for the names of removed files
        brings nothing; EROFS on a read-only mount."""
        self.check_writable(name)
        if self.state.committed + growth > self.state.blocks.capacity and not self.cleaner.forget_names(growth):
            raise error(errno.ENOSPC, name)

    def room_for(self, waiting: int) -> int:
        """Room that waiting bytes may take: their frames, and what a hole before them or a split of an older run
        adds."""
        if waiting <= self._buffer_bytes:
            return self._layout.costs[waiting] + 2 * self._layout.hole_cost if waiting else 0
        return self._layout.cost(waiting) + 2 * self._layout.hole_cost

    def reserve(self, node: FileNode) -> None:
        needed = self.room_for(len(node.buffer))
        self.state.reserved += needed - node.reserved
        node.reserved = needed

    def make_room(self, kind: int, file: int, offset: int, length: int, payload_bytes: int) -> None:
        self.cleaner.make_room(0, kind, file, offset, length, payload_bytes)

    def check_writable(self, name: bytes | None) -> None:
        """EROFS on a read-only mount, and on a flash that is worn out."""
        blocks = self.state.blocks
        if blocks.worn_out:
            raise OutOfBlocks(blocks.lost_count)
        if blocks.read_only:
            raise error(errno.EROFS, name)


def error(number: int, name: bytes | None) -> OSError:
    shown = None if name is None else os.fsdecode(name)
    return OSError(number, os.strerror(number), shown)
