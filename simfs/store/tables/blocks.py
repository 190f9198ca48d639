"""What the store knows of each erase block: its state, wear and how much in it is still live."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from operator import mul

from simfs.store.format.errors import OutOfBlocks
from simfs.store.tables.wear_order import Ranking

SUM_END = 1 << 32  # sums of bases wrap there


class State(IntEnum):
    """The state of a block."""

    UNUSED = 0  # holds nothing of this store yet, whatever it reads as
    OPEN = 1  # a log head
    CLOSED = 2  # full: holds frames, is never programmed again
    FREED = 3  # nothing live in it, waits for its erase
    DAMAGED = 4  # some of its live frames can't be read: it is left as it is
    BAD = 5  # it failed: never used again
    READY = 6  # erased ahead: opened next


class BlockTable:
    """One row for each erase block. `live` is what moving a block's live frames would cost, in bytes."""

    def __init__(self, block_count: int, block_bytes: int, block_room: int, capacity: int) -> None:
        self.block_bytes = block_bytes
        self.block_room = block_room
        self.capacity = capacity  # what frames can fill for good, bytes: less with each block that is damaged or bad
        self.state = [State.UNUSED] * block_count
        self.erase_count = [0] * block_count
        self.base = [0] * block_count
        self.salt = [0] * block_count
        self.base_sum = self.place_sum = 0  # of the blocks that hold anything: what a statement says of them
        self.live = [0] * block_count
        self.live_total = 0
        self.died = Ranking()  # (erase count, block); what was freed since is still among them
        self.freed_at = [0] * block_count
        self.written_at = [0] * block_count  # bytes logged when its youngest data was written
        self.closed: list[int] = []  # in the order in which they were closed
        self.closed_by_wear = Ranking()  # (erase count, block)
        self.freed: set[int] = set()  # those that no statement names
        self.named: list[int] = []  # dead blocks that the newest statement names: the log goes on in one of them
        self.unused_count = block_count
        self.erase_count_max = 0
        self.left_end: dict[int, int] = {}  # closed without a seal: the address in the block before which it counts
        self.failing: set[int] = set()  # a program failed in them: what lives there is moved, then they are bad
        self.lost_count = 0  # blocks damaged or bad
        self.worn_out = False  # so many of them that the log can't go on
        self.read_only = False  # mounted so, or worn out
        self.on_change: Callable[[int, State, State], None] | None = None  # is told state before and after

    def __len__(self) -> int:
        return len(self.state)

    @property
    def free_count(self) -> int:
        """Blocks that hold nothing live."""
        return len(self.named) + len(self.freed) + self.unused_count

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

    def is_bad(self, block: int) -> bool:
        """Whether the block has failed for good."""
        return self.state[block] == State.BAD

    def hold(self, block: int, base: int, salt: int) -> None:
        """The block has a new life: orders in it count from `base`."""
        self.base[block], self.salt[block] = base, salt
        self._sum(block, base)

    def hold_all(self, bases: dict[int, int]) -> None:
        """At a mount: these blocks hold something, and their salts are known; orders in each count from its base."""
        for block, base in bases.items():
            self.base[block] = base
        total = sum(bases.values())
        self.base_sum = (self.base_sum + total) % SUM_END
        self.place_sum = (self.place_sum + total + sum(map(mul, bases, bases.values()))) % SUM_END

    def _sum(self, block: int, base: int) -> None:
        self.base_sum = (self.base_sum + base) % SUM_END
        self.place_sum = (self.place_sum + base * (block + 1)) % SUM_END

    def name(self, block: int) -> None:
        """A dead block becomes one of those in which the log goes on: whatever it holds counts for nothing any more."""
        if self.state[block] == State.UNUSED:
            self.unused_count -= 1
            self._becomes(block, State.FREED)
        self.freed.discard(block)
        self.left_end.pop(block, None)
        self._sum(block, -self.base[block])
        self.base[block] = 0
        self.named.append(block)

    def make_ready(self, block: int) -> None:
        """A named block has been erased."""
        self._becomes(block, State.READY)

    def find_closed(self, blocks: list[int]) -> None:
        """At a mount: these blocks, in the order in which they were closed. What is live in them is not known yet."""
        closed = State.CLOSED
        for block in blocks:
            self.state[block] = closed
        self.closed += blocks
        by_wear = sorted(self._by_wear(blocks))
        self.died.update(by_wear)
        self.closed_by_wear.update(by_wear)

    def _by_wear(self, blocks: list[int]) -> list[tuple[int, int]]:
        return list(zip(map(self.erase_count.__getitem__, blocks), blocks, strict=True))

    def leave(self, block: int, end: int) -> None:
        """Close a block without a seal. What it holds before this address counts."""
        self.left_end[block] = end
        self.close(block)

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
        self.freed.discard(block)
        self.failing.discard(block)
        self.left_end.pop(block, None)
        if block in self.named:
            self.named.remove(block)
        self._sum(block, -self.base[block])
        self.base[block] = 0
        self._lose(block, State.BAD)

    def _lose(self, block: int, state: State) -> None:
        self._becomes(block, state)
        self.lost_count += 1
        self.capacity = max(self.capacity - self.block_room, 0)

    def open(self, block: int) -> None:
        """Make a named block a log head."""
        self.named.remove(block)
        self._becomes(block, State.OPEN)

    def close(self, block: int) -> None:
        """Close the block: it is not programmed again before its erase."""
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
