"""What the store knows of each erase block: its state, wear and how much in it is still live."""

from __future__ import annotations

from enum import IntEnum

from sortedcontainers import SortedList


class State(IntEnum):
    """Where a block stands in its round."""

    READY = 0  # blank: may be opened
    OPEN = 1  # a log head
    CLOSED = 2  # full: holds frames, is never programmed again
    FREED = 3  # nothing live in it, waits for its erase


class BlockTable:
    """One row an erase block. `live` counts what moving a block's live frames would cost, in bytes."""

    def __init__(self, block_count: int, block_bytes: int) -> None:
        self.block_bytes = block_bytes
        self.state = [State.READY] * block_count
        self.erase_count = [0] * block_count
        self.recorded = [False] * block_count  # an erase record is on the flash
        self.base = [0] * block_count
        self.salt = [0] * block_count
        self.live = [0] * block_count
        self.live_total = 0
        self.died: dict[int, None] = {}  # in that order; what was freed since, or is alive again, is still among them
        self.freed_at = [0] * block_count
        self.written_at = [0] * block_count  # bytes logged when its youngest data was written
        self.ready: SortedList = SortedList()  # (erase count, block)
        self.closed: list[int] = []  # in the order in which they were closed
        self.closed_by_wear: SortedList = SortedList()  # (erase count, block)
        self.freed: set[int] = set()
        self.erase_count_max = 0
        self.in_doubt: set[int] = set()  # closed without a seal in a recovery: cleaned and erased before all others

    def __len__(self) -> int:
        return len(self.state)

    @property
    def free_count(self) -> int:
        """Blocks that are ready or wait for their erase."""
        return len(self.ready) + len(self.freed)

    def of(self, place: int) -> int:
        """The block that holds an address."""
        return place // self.block_bytes

    def charge(self, place: int, cost: int) -> None:
        """`cost` bytes more (or less) are live where `place` (negative: a hole's frame) points."""
        block = abs(place) // self.block_bytes
        self.live[block] += cost
        self.live_total += cost
        if cost < 0 and not self.live[block]:
            self.died[block] = None

    def dead(self) -> int | None:
        """A closed block in which nothing is live: of several the one that died first."""
        while self.died:
            block = next(iter(self.died))
            if self.state[block] == State.CLOSED and not self.live[block]:
                return block
            del self.died[block]
        return None

    def note_erase_count(self, block: int, erase_count: int) -> None:
        """The block's wear is known."""
        self.erase_count[block] = erase_count
        self.erase_count_max = max(self.erase_count_max, erase_count)

    def make_ready(self, block: int) -> None:
        """The block is blank."""
        self.freed.discard(block)
        self.state[block] = State.READY
        self.ready.add((self.erase_count[block], block))

    def doubt(self, block: int) -> None:
        """The block that seemed ready is not blank, or may not be: it needs an erase."""
        self.ready.remove((self.erase_count[block], block))
        self.free_unlisted(block)

    def free_unlisted(self, block: int) -> None:
        """At a mount: the block holds nothing that counts, and needs an erase."""
        self.state[block] = State.FREED
        self.freed_at[block] = -1
        self.freed.add(block)

    def unfree(self, block: int) -> None:
        """The freed block is closed again."""
        self.freed.discard(block)
        self.close(block)

    def take_over(self, block: int) -> None:
        """At a mount: the block is a log head."""
        self.state[block] = State.OPEN

    def take(self, block: int) -> None:
        """The ready block becomes a log head."""
        self.ready.remove((self.erase_count[block], block))
        self.state[block] = State.OPEN

    def close(self, block: int) -> None:
        """The block will not be programmed again before its erase."""
        self.state[block] = State.CLOSED
        self.closed.append(block)
        if not self.live[block]:
            self.died[block] = None
        self.closed_by_wear.add((self.erase_count[block], block))

    def free(self, block: int, sequence: int) -> None:
        """Nothing in the closed block is live from this sequence number on."""
        self.closed.remove(block)
        self.closed_by_wear.remove((self.erase_count[block], block))
        self.state[block] = State.FREED
        self.freed_at[block] = sequence
        self.freed.add(block)
