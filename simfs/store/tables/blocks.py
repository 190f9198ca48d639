"""What the store knows of each erase block: its state, wear and how much in it is still live."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum

from simfs.store.format.errors import OutOfBlocks
from simfs.store.tables.wear_order import Ranking

SEQUENCE_END = 1 << 64  # above every sequence number


class State(IntEnum):
    """The state of a block."""

    READY = 0  # blank: may be opened
    OPEN = 1  # a log head
    CLOSED = 2  # full: holds frames, is never programmed again
    FREED = 3  # nothing live in it, waits for its erase
    DAMAGED = 4  # some of its live frames can't be read: it is left as it is
    BAD = 5  # it failed: never used again


class BlockTable:
    """One row for each erase block. `live` is what moving a block's live frames would cost, in bytes."""

    def __init__(self, block_count: int, block_bytes: int, block_room: int, capacity: int) -> None:
        self.block_bytes = block_bytes
        self.block_room = block_room
        self.capacity = capacity  # what frames can fill for good, bytes: less with each block that is damaged or bad
        self.state = [State.READY] * block_count
        self.erase_count = [0] * block_count
        self.opened = [False] * block_count  # an open record is on the flash
        self.base = [0] * block_count
        self.tries = [0] * block_count
        self.salt = [0] * block_count
        self.live = [0] * block_count
        self.live_total = 0
        self.died = Ranking()  # (erase count, block); what was freed since is still among them
        self.freed_at = [0] * block_count
        self.written_at = [0] * block_count  # bytes logged when its youngest data was written
        self.ready = Ranking()  # (erase count, block)
        self.closed: list[int] = []  # in the order in which they were closed
        self.closed_by_wear = Ranking()  # (erase count, block)
        self.freed: set[int] = set()
        self.erase_count_max = 0
        # Closed without a seal: the sequence number from which on nothing in it counts. That is the base of the block
        # that its head opened next, so these are cleaned and erased before all others.
        self.in_doubt: dict[int, int] = {}
        self.failing: set[int] = set()  # a program failed in them: what lives there is moved, then they are bad
        self.lost_count = 0  # blocks damaged or bad
        self.worn_out = False  # so many of them that the log can't go on
        self.read_only = False  # mounted so, or worn out
        self.on_change: Callable[[int, State, State], None] | None = None  # is told state before and after

    def __len__(self) -> int:
        return len(self.state)

    @property
    def free_count(self) -> int:
        """Blocks that are ready or wait for their erase."""
        return len(self.ready) + len(self.freed)

    def _becomes(self, block: int, after: State) -> None:
        """A change that a listener may want to know; what a mount finds is none."""
        before, self.state[block] = self.state[block], after
        if self.on_change is not None:
            self.on_change(block, before, after)

    def of(self, place: int) -> int:
        """The block that holds an address."""
        return place // self.block_bytes

    def charge(self, place: int, cost: int) -> None:
        """`cost` bytes more (or less) are live where `place` (negative: a hole's frame) points."""
        block = abs(place) // self.block_bytes
        self.live[block] += cost
        self.live_total += cost
        if cost < 0 and not self.live[block]:
            self.died.add((self.erase_count[block], block))

    def dead(self) -> int | None:
        """A closed block in which nothing is live: of several the least worn, so that less levelling is needed."""
        while self.died:
            erase_count, block = self.died[0]
            if self.state[block] == State.CLOSED and not self.live[block] and self.erase_count[block] == erase_count:
                return block
            del self.died[0]
        return None

    def note_erase_count(self, block: int, erase_count: int) -> None:
        """Note a block's wear."""
        self.erase_count[block] = erase_count
        if erase_count > self.erase_count_max:
            self.erase_count_max = erase_count

    def make_ready(self, block: int) -> None:
        """The block is blank."""
        self.freed.discard(block)
        self._becomes(block, State.READY)
        self.ready.add((self.erase_count[block], block))

    def find_ready(self, blocks: list[int]) -> None:
        """At a mount: these blocks are blank."""
        self.ready.update(self._by_wear(blocks))

    def find_closed(self, blocks: list[int]) -> None:
        """At a mount: these blocks, in the order in which they were closed. What is live in them is not known yet."""
        for block in blocks:
            self.state[block] = State.CLOSED
        self.closed += blocks
        by_wear = self._by_wear(blocks)
        self.died.update(by_wear)
        self.closed_by_wear.update(by_wear)

    def _by_wear(self, blocks: list[int]) -> list[tuple[int, int]]:
        return list(zip(map(self.erase_count.__getitem__, blocks), blocks, strict=True))

    def doubt(self, block: int) -> None:
        """A block that seemed ready is not blank, or may not be: it needs an erase."""
        self.ready.remove((self.erase_count[block], block))
        self.free_unlisted(block)

    def free_unlisted(self, block: int) -> None:
        """At a mount: the block holds nothing that counts, and needs an erase."""
        self._becomes(block, State.FREED)
        self.freed_at[block] = -1
        self.freed.add(block)

    def abandon(self, block: int, below: int) -> None:
        """Close the block without a seal. What it holds counts only below this sequence number."""
        self.in_doubt[block] = below
        self.close(block)

    def may_go(self, block: int, bound: int) -> bool:
        """Whether no unsealed block still needs this one as its bound, so that it may be erased. All unsealed blocks
        count below `bound` at least. If a head left a block in which only MARKs counted, it opened the next one with
        the same base, which gives the same bound."""
        base = self.base[block]
        return base < bound or self.in_doubt.get(block, SEQUENCE_END) <= base

    def bound_doubt(self, base: int) -> None:
        """A block was opened with this base: unsealed blocks that no other block followed yet count only below it. The
        others keep their bound, since a head that goes on in a new block may go back behind what the other head
        wrote."""
        for block, below in self.in_doubt.items():
            if below == SEQUENCE_END:
                self.in_doubt[block] = base

    def exhausted(self) -> OutOfBlocks:
        """The error to raise when no block is left for the log."""
        self.worn_out = self.worn_out or self.lost_count > 0
        self.read_only = self.read_only or self.worn_out
        return OutOfBlocks(self.lost_count)

    def set_aside(self, block: int) -> None:
        """Set a closed block aside, because it can't be cleaned."""
        self.closed.remove(block)
        self.closed_by_wear.remove((self.erase_count[block], block))
        self._lose(block, State.DAMAGED)

    def retire(self, block: int) -> None:
        """Mark a block in which nothing is live as bad."""
        self.ready.discard((self.erase_count[block], block))
        self.freed.discard(block)
        self.failing.discard(block)
        self._lose(block, State.BAD)

    def _lose(self, block: int, state: State) -> None:
        self._becomes(block, state)
        self.lost_count += 1
        self.capacity = max(self.capacity - self.block_room, 0)

    def unfree(self, block: int) -> None:
        """The freed block is closed again."""
        self.freed.discard(block)
        self.close(block)

    def take_over(self, block: int) -> None:
        """At a mount: make the block a log head."""
        self.state[block] = State.OPEN

    def take(self, block: int) -> None:
        """Make the ready block a log head."""
        self.ready.remove((self.erase_count[block], block))
        self._becomes(block, State.OPEN)

    def close(self, block: int) -> None:
        """Close the block: it is not programmed again before its erase, except for its discard mark."""
        self._becomes(block, State.CLOSED)
        self.closed.append(block)
        if not self.live[block]:
            self.died.add((self.erase_count[block], block))
        self.closed_by_wear.add((self.erase_count[block], block))

    def free(self, block: int, sequence: int) -> None:
        """Nothing in the closed block is live from this sequence number on."""
        self.closed.remove(block)
        self.closed_by_wear.remove((self.erase_count[block], block))
        self._becomes(block, State.FREED)
        self.freed_at[block] = sequence
        self.freed.add(block)
