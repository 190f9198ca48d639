"""A scenario carried on until the last of many devices has lost its first block, in one run for all of them.

Wear changes nothing before the first loss, so all devices are at the same place of the same run, each with its own
limits. A block's limits on all devices are kept in order, so that an erase looks at one number and seldom at more.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from simfs.files.contract import AnyStore
from simfs.files.store import the_log
from simfs.replay.batch.player import FastPlayer
from simfs.replay.device.device import Device
from simfs.replay.device.observer import BOOT_TASK, Observer
from simfs.replay.play import make_store
from simfs.replay.scenario.tables import Scenario
from simfs.study.fleet.first_block import Lost, Pace

Progress = Callable[[int, int], None]
"""Called with the erases of a block, and those that the longest-lived device lasts."""

NO_LIMIT = 1 << 200
TOLD_EVERY = 16  # erases of a block


class _AllLost(Exception):
    """Every device has lost a block."""


class _Losses:
    """What every device has lost so far."""

    def __init__(self, limits: Sequence[Sequence[int]]) -> None:
        self._devices = len(limits)
        self.found: list[Lost | None] = [None] * self._devices
        self.left = self._devices
        self.last_limit = max(map(min, limits)) + 1  # by then all have lost one, if blocks wear alike
        self._waiting = [  # by block: limit and device in one number, the lowest last
            sorted((limit * self._devices + device for device, limit in enumerate(of_block)), reverse=True)
            for of_block in zip(*limits, strict=True)
        ]

    def next_limit(self, block: int) -> int:
        waiting = self._waiting[block]
        return waiting[-1] // self._devices if waiting else NO_LIMIT

    def note(self, block: int, erases: int, at_ns: int) -> None:
        """The block was erased so many times: devices with a lower limit have lost it."""
        waiting = self._waiting[block]
        while waiting and waiting[-1] // self._devices < erases:
            device = waiting.pop() % self._devices
            if self.found[device] is None:
                self.found[device] = Lost(block, erases, at_ns)
                self.left -= 1


class _Fleet(Observer):
    """Stands for all devices of a fleet, until the last one has lost a block."""

    needs_each = False

    def __init__(self, device: Device, losses: _Losses, progress: Progress | None) -> None:
        self._device, self._losses, self._progress = device, losses, progress
        self._began_ns = 0
        self._last_limit = losses.last_limit
        self.erases = list(device.flash.erase_counts)
        self._next_limits = [losses.next_limit(block) for block in range(len(self.erases))]
        self._passed: list[int] = []  # blocks that passed the next limit that anybody has for them
        device.observe(self)

    def run_begins(self, store: AnyStore) -> AnyStore:
        the_log(store).flash.listen(on_erase=self._on_erase)
        return store

    def _on_erase(self, block: int) -> None:
        self.erases[block] += 1
        if self.erases[block] > self._next_limits[block]:
            self._passed.append(block)
        if self._progress and self.erases[block] % TOLD_EVERY == 0:
            self._progress(self.erases[block], self._last_limit)

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self._began_ns = at_ns

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        if self._passed and task != BOOT_TASK:  # what a boot wears out is lost in the next operation
            self._note()

    def _note(self) -> None:
        losses = self._losses
        for block in self._passed:
            losses.note(block, self.erases[block], self._began_ns - self._device.start_ns)
            self._next_limits[block] = losses.next_limit(block)
        self._passed.clear()
        if not losses.left:
            raise _AllLost


def first_losses(
    scenario: Scenario, limits: Sequence[Sequence[int]], *, max_ns: int, progress: Progress | None = None
) -> tuple[list[Lost], Pace]:
    """The first block that each device loses, given the limits of its blocks, and the pace of wear until the last.

    A block with the limit L is lost in its erase L + 1; its time is when the operation began that erased it. ValueError
    when `max_ns` passes before. Takes the time of the erases that the longest-lived device lasts.
    """
    losses = _Losses(limits)
    device = Device(make_store(scenario), start_ns=scenario.run.start)
    fleet = _Fleet(device, losses, progress)
    run = scenario.run.model_copy(update={"duration": max_ns})
    try:
        FastPlayer(scenario.model_copy(update={"run": run}), device).play(None)
    except _AllLost:
        pace = Pace(device.now_ns - device.start_ns, tuple(fleet.erases), "until each device has lost a block")
        return [lost for lost in losses.found if lost is not None], pace
    raise ValueError("its tasks end or slow down, so it has no pace that lasts; take that of the run as it is")
