"""Which task's operations erased which block, and when the first block reached its limit."""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

from simfs.flash.late import LateFlash
from simfs.replay.device.device import NAMES_KEPT, Device, Readings
from simfs.replay.device.notes import Alike, Boot, TaskTally

T = TypeVar("T")

BOOT_TASK = "(boot)"


class LifeEnded(Exception):
    """What was waited for has happened."""


class End(NamedTuple):
    """What ended a life, in which operation; `at_ns` is device time."""

    end: str  # "worn" or "full"
    block: int
    at_ns: int
    task: str
    operation: str
    name: str


@dataclass
class Wear:
    """Erases of each block, by the task in whose operations they came, and the limits of the blocks."""

    limits: tuple[int, ...]

    def __post_init__(self) -> None:
        self.by_task: dict[str, list[int]] = {}
        self.erases = 0
        self.worn: int | None = None  # the first block at its limit
        self.is_near = min(self.limits) <= 1  # some block may get there with its next erase
        self._counts = [0] * len(self.limits)
        self._of_task = self._counts

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


class WornFlash(LateFlash):
    """A flash that notes its erases. They are counted from its making on."""

    __slots__ = ("wear",)
    wear: Wear

    def erase(self, block: int) -> None:
        super().erase(block)
        self.wear.erased(block)


class PromptFlash(WornFlash):
    """One whose every byte is made at once."""

    __slots__ = ()

    @property
    def takes_late(self) -> bool:
        return False


class _NoNames(set[str]):
    """A set of names that is full: a life has too many to keep."""

    def __len__(self) -> int:
        return NAMES_KEPT


class _NoBoots(list[Boot]):
    """Notes on boots that nobody reads."""

    def append(self, _: Boot) -> None:
        return None


class LifeDevice(Device):
    """A device that raises `LifeEnded`, `ended` in hand, once an operation brought a block to its limit, or, when that
    ends it, was refused for want of room."""

    def begin_life(self, wear: Wear, full_ends: bool, on_turn: Callable[[], int]) -> None:
        """Note wear from now on. `on_turn` is called now and then; it tells after how many erases the next time."""
        self.wear, self._full_ends, self.on_turn, self.next_turn = wear, full_ends, on_turn, 0
        self.ended: End | None = None
        self._no_room = False
        self.names_used, self.boots = _NoNames(), _NoBoots()

    def perform(
        self,
        task: str,
        operation: str,
        name: str,
        action: Callable[[], T],
        *,
        writes: bool,
        pattern: str = "",
        due_ns: int | None = None,
    ) -> T | None:
        began_ns = self.now_ns
        self.wear.begin(task)
        result = super().perform(task, operation, name, action, writes=writes, pattern=pattern, due_ns=due_ns)
        self._look(began_ns, task, operation, name)
        return result

    def begins_block(self, task: str) -> bool:
        if self.wear.is_near:
            return False  # so that the operation which brings the end is by itself
        self.wear.begin(task)
        return True

    def note_alike(self, task: str, operation: str, name: str, done: Alike, before: Readings) -> None:
        super().note_alike(task, operation, name, done, before)
        self._look(before[0], task, operation, name)

    def boot(self) -> None:
        began_ns = self.now_ns
        self.wear.begin(BOOT_TASK)
        super().boot()
        self._look(began_ns, BOOT_TASK, "boot", "")

    def _look(self, began_ns: int, task: str, operation: str, name: str) -> None:
        if self.wear.erases >= self.next_turn:
            self.next_turn = self.on_turn()
        if self.wear.worn is None and not self._no_room:
            return
        counts = self.wear.counts
        block = counts.index(max(counts)) if self.wear.worn is None else self.wear.worn
        self.ended = End("full" if self.wear.worn is None else "worn", block, began_ns, task, operation, name)
        raise LifeEnded

    def _note_refusal(self, tally: TaskTally, operation: str, name: str, error: OSError) -> None:
        super()._note_refusal(tally, operation, name, error)
        self._no_room = self._no_room or (self._full_ends and error.errno in (errno.ENOSPC, errno.EROFS))
