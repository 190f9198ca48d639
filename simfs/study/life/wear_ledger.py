"""Which task's operations erased which block, and when the first block reached its limit."""

from __future__ import annotations

import errno
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, NoReturn

from simfs.files.contract import AnyStore
from simfs.files.store import the_log
from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.device.device import Device
from simfs.replay.device.notes import Boot
from simfs.replay.device.observer import Observer

STUCK_MIN_NS = 30 * NS_PER_DAY


class LifeEnded(Exception):
    """The end of the life that was asked for has come."""


class End(NamedTuple):
    """How a life ended, and in which operation; `at_ns` is device time."""

    end: str  # "worn", "full" or "stuck"
    block: int
    at_ns: int
    task: str
    operation: str
    name: str


@dataclass
class Wear:
    """Erases of each block, by the task in whose operations they came, and the limits of the blocks. `counts_first` are
    the erases that no task caused, such as the format's."""

    limits: tuple[int, ...]
    counts_first: Sequence[int]

    def __post_init__(self) -> None:
        self.by_task: dict[str, list[int]] = {}
        self.erases = 0
        self.worn: int | None = None  # the first block at its limit
        self._counts = list(self.counts_first)
        self._of_task = self._counts
        # Whether some block may get there with its next erase.
        self.is_near = any(limit <= count + 1 for limit, count in zip(self.limits, self._counts, strict=True))

    def begin(self, task: str) -> None:
        """Erases come in this task's operations from now on."""
        found = self.by_task.get(task)
        self._of_task = found if found is not None else self.by_task.setdefault(task, [0] * len(self.limits))

    @property
    def counts(self) -> list[int]:
        """Erases of each block."""
        return self._counts.copy()

    def copy(self) -> dict[str, list[int]]:
        """Erases so far, by task."""
        return {task: of.copy() for task, of in self.by_task.items()}

    def periods_left(self, before: dict[str, list[int]]) -> int | None:
        """How many times the erases since `before` can come again before a block is at its limit; None: any number."""
        gained = self._gained(before)
        each = zip(self.limits, self._counts, map(sum, zip(*gained.values(), strict=True)), strict=True)
        return min(((limit - 1 - count) // more for limit, count, more in each if more), default=None)

    def add(self, before: dict[str, list[int]], times: int) -> None:
        """The erases since `before` so many times more."""
        for task, of in self._gained(before).items():
            mine = self.by_task[task]
            for block, more in enumerate(of):
                mine[block] += times * more
                self._counts[block] += times * more
                self.is_near = self.is_near or self._counts[block] + 1 >= self.limits[block]
                self.erases += times * more

    def _gained(self, before: dict[str, list[int]]) -> dict[str, list[int]]:
        none = [0] * len(self.limits)
        return {
            task: [now - then for now, then in zip(of, before.get(task, none), strict=True)]
            for task, of in self.by_task.items()
        }

    def erased(self, block: int) -> None:
        """One more erase of the block."""
        self.erases += 1
        self._of_task[block] += 1
        self._counts[block] += 1
        left = self.limits[block] - self._counts[block]
        if left <= 1:
            self.is_near = True
            if left <= 0 and self.worn is None:
                self.worn = block


class _NoBoots(list[Boot]):
    """Takes notes on boots, and drops them: nobody reads them."""

    def append(self, _: Boot) -> None:
        return None


class LifeObserver(Observer):
    """Sets `ended` and raises `LifeEnded` after an operation that brought a block to its limit, or that was refused for
    want of room if that ends the life. A store is stuck, and would wear no more for ever, if it refuses for want of
    room and nothing is erased for longer than the whole life before.

    `on_turn` is called now and then, and returns after how many erases to call it again.
    """

    needs_each = False  # appends that are done together erase nothing

    def __init__(self, wear: Wear, full_ends: bool, on_turn: Callable[[], int]) -> None:
        self.wear, self._full_ends, self._on_turn, self.next_turn = wear, full_ends, on_turn, 0
        self.ended: End | None = None
        self._began_ns = self._start_ns = 0
        self.full: End | None = None  # the first operation that was refused for want of room
        self._stuck_since: tuple[int, int] | None = None  # the first such operation after so many erases, and when

    def follow(self, device: Device) -> None:
        """Note what the device does from now on; what is not read is not kept."""
        device.names_kept_max, device.boots = 0, _NoBoots()
        self._start_ns = device.start_ns
        device.observe(self)

    def run_begins(self, store: AnyStore) -> AnyStore:
        the_log(store).flash.listen(on_erase=self.wear.erased)
        return store

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self._began_ns = at_ns
        self.wear.begin(task)

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        no_room = refused in (errno.ENOSPC, errno.EROFS)
        if no_room:
            self._note_full(self._end("full", self._began_ns, task, operation, name))
        if self.wear.erases >= self.next_turn:
            self.next_turn = self._on_turn()
        if self.wear.worn is not None or (self._full_ends and no_room):
            end = "full" if self.wear.worn is None else "worn"
            self.ended = self._end(end, self._began_ns, task, operation, name)
            raise LifeEnded

    def _note_full(self, end: End) -> None:
        self.full = self.full or end
        if self._stuck_since is None or self._stuck_since[0] != self.wear.erases:
            self._stuck_since = self.wear.erases, end.at_ns
        since_ns = self._stuck_since[1]
        if end.at_ns - since_ns > max(STUCK_MIN_NS, since_ns - self._start_ns):
            self.stick()

    def stick(self) -> NoReturn:
        """Nothing will wear any more; if the store is full, that is how the life ends."""
        if self.full is not None and self._stuck_since is not None and self._stuck_since[0] == self.wear.erases:
            self.ended = self.full._replace(end="stuck")
        raise LifeEnded

    def _end(self, end: str, began_ns: int, task: str, operation: str, name: str) -> End:
        counts = self.wear.counts
        block = counts.index(max(counts)) if self.wear.worn is None else self.wear.worn
        return End(end, block, began_ns, task, operation, name)
