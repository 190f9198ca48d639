"""Many devices on one path: a scenario that goes on until the last of them has lost its first block.

Wear changes nothing before the first loss, so all devices are at the same place of the same run, each with its own
limits. The limits of a block on all devices lie in order, so that an erase looks at one number, and few look further.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from simfs.flash.late import LateFlash
from simfs.replay.batch.player import FastPlayer
from simfs.replay.device.device import Device
from simfs.replay.play import make_store
from simfs.replay.scenario.tables import Scenario
from simfs.study.fleet.first_block import Lost, Pace

T = TypeVar("T")
Progress = Callable[[int, int], None]

NO_LIMIT = 1 << 200


class _AllLost(Exception):
    """Every device has lost a block."""


class _CountingFlash(LateFlash):
    """A flash that notes which blocks passed the next limit that anybody has for them."""

    __slots__ = ("next_limits", "passed")
    next_limits: list[int]
    passed: list[int]

    def erase(self, block: int) -> None:
        super().erase(block)
        if self._erase_counts[block] > self.next_limits[block]:
            self.passed.append(block)


class _Losses:
    """What every device has lost so far."""

    def __init__(self, limits: Sequence[Sequence[int]]) -> None:
        self._devices = len(limits)
        self.found: list[Lost | None] = [None] * self._devices
        self.left = self._devices
        self._waiting = [  # by block: limit and device in one number, the lowest last
            sorted((limit * self._devices + device for device, limit in enumerate(of_block)), reverse=True)
            for of_block in zip(*limits, strict=True)
        ]

    def next_limit(self, block: int) -> int:
        waiting = self._waiting[block]
        return waiting[-1] // self._devices if waiting else NO_LIMIT

    def note(self, block: int, erases: int, at_ns: int) -> None:
        """The block was erased so many times; who has a lower limit has lost it."""
        waiting = self._waiting[block]
        while waiting and waiting[-1] // self._devices < erases:
            device = waiting.pop() % self._devices
            if self.found[device] is None:
                self.found[device] = Lost(block, erases, at_ns)
                self.left -= 1


class _FleetDevice(Device):
    """Stands for all devices of a fleet until the last one has lost a block."""

    def watch(self, flash: _CountingFlash, losses: _Losses, progress: Progress | None) -> None:
        """Before the run."""
        self._counting, self._losses, self._progress = flash, losses, progress

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
        result = super().perform(task, operation, name, action, writes=writes, pattern=pattern, due_ns=due_ns)
        if self._counting.passed:
            self._note(began_ns)
        return result

    def _note(self, began_ns: int) -> None:
        flash, losses = self._counting, self._losses
        for block in flash.passed:
            losses.note(block, flash.erase_counts[block], began_ns - self.start_ns)
            flash.next_limits[block] = losses.next_limit(block)
        flash.passed.clear()
        if self._progress:
            self._progress(len(losses.found) - losses.left, len(losses.found))
        if not losses.left:
            raise _AllLost


def first_losses(
    scenario: Scenario, limits: Sequence[Sequence[int]], *, max_ns: int, progress: Progress | None = None
) -> tuple[list[Lost], Pace]:
    """The first block that each device loses, given the limits of its blocks, and the pace of wear until the last.

    A block with the limit L is lost in its erase L + 1; its time is when the operation began that erased it. ValueError
    when `max_ns` passes before. Takes the time of the erases that the longest-lived device stands.
    """
    store = make_store(scenario, _CountingFlash)
    flash, losses = store.flash, _Losses(limits)
    assert isinstance(flash, _CountingFlash)
    flash.passed, flash.next_limits = [], [losses.next_limit(block) for block in range(len(limits[0]))]
    device = _FleetDevice(store, start_ns=scenario.run.start)
    device.watch(flash, losses, progress)
    run = scenario.run.model_copy(update={"duration": max_ns})
    try:
        FastPlayer(scenario.model_copy(update={"run": run}), device).play(None)
    except _AllLost:
        pace = Pace(device.now_ns - device.start_ns, tuple(flash.erase_counts), "until each device has lost a block")
        return [lost for lost in losses.found if lost is not None], pace
    raise ValueError("its tasks end or slow down, so it has no pace that lasts; take that of the run as it is")
