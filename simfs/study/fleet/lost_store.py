"""When devices lose their store. After the first lost block each device goes its own way, so a sample of them is run.

Blocks fail at their own limits, the store goes on in those that are left, and it counts as lost when it refuses a write
for want of room or of blocks, or can't be mounted any more. That would take billions of operations, so each device
wears `hurry` times as fast: its limits are divided by that number, and the time it took is multiplied by it. The first
filling of the store and the difference of wear that is allowed between blocks (`level_threshold`) are not divided. Both
make the time wrong by about one cycle in the number of cycles that a limit still has.

A block at its limit fails its next erase, and the chip says so; a bit that stays 0 after an erase instead would cost
the store the same block, since it reads back what it erased.
"""

from __future__ import annotations

import errno
import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from simfs.files.contract import AnyStore
from simfs.files.store import Store, the_log
from simfs.flash import FlashError, NorFlash
from simfs.replay.batch.player import FastPlayer
from simfs.replay.device.device import Device
from simfs.replay.device.observer import BOOT_TASK, Observer
from simfs.replay.scenario.tables import Scenario
from simfs.study.fleet.first_block import SHARES, Pace, device_seed
from simfs.study.fleet.limit_laws import Law, limits_of
from simfs.study.fleet.order_statistics import Sampled, sampled
from simfs.study.pools import in_order, pool

Progress = Callable[[int, int], None]

PATIENCE = 4  # times as long as it takes to wear all blocks to their limits
LOSS = (errno.ENOSPC, errno.EROFS)


@dataclass(frozen=True, slots=True)
class StoreLoss:
    """A device that lost its store after `blocks_lost` blocks; `at_ns` is None if it did not lose it. `why` is the name
    of the error that the device got (errno)."""

    seed: int
    at_ns: int | None
    blocks_lost: int
    why: str


@dataclass(frozen=True, slots=True)
class SampledLosses:
    """The devices of a sample, and when a share of the fleet has lost its store."""

    hurry: float
    losses: tuple[StoreLoss, ...]
    shares: tuple[Sampled, ...]


class WearingFlash(NorFlash):
    """A flash whose blocks fail every erase beyond their limits. `limits` are set after the store is formatted."""

    __slots__ = ("limits",)
    limits: Sequence[int]

    def erase(self, block: int) -> None:
        super().erase(block)
        if self._erase_counts[block] > self.limits[block]:
            raise FlashError("erase", block * self.geometry.block_bytes)


class _Lost(Exception):
    """The store is lost; the message is the error's name."""


class _Mortal(Observer):
    """Ends the run with its store. `began_ns` is when the operation began that is done or was done last."""

    needs_each = False
    began_ns = 0

    def run_begins(self, store: AnyStore) -> AnyStore:
        """It wants to be told of operations alone."""
        return store

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self.began_ns = at_ns

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        if refused and (refused in LOSS or task == BOOT_TASK):
            raise _Lost(errno.errorcode.get(refused, "EIO"))


@dataclass(frozen=True, slots=True)
class _Work:
    """One device of the sample."""

    scenario: Scenario
    limits: tuple[int, ...]
    seed: int
    hurry: float


def hurry_for(law: Law, cycles: int) -> float:
    """How many times as fast devices have to wear so that half of their blocks last so many erases; at least 1."""
    return max(1.0, law.cycles_at(math.log(0.5)) / cycles)


def sample_losses(
    scenario: Scenario,
    law: Law,
    pace: Pace,
    *,
    devices: int,
    seed: int,
    hurry: float,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> SampledLosses:
    """Run so many devices until they lose their store, on any `executor`, or on all cores without one.

    Devices that outlive `PATIENCE` count as never. ValueError when a device is refused room before any block is lost.
    """
    works = [_work(scenario, law, device_seed(seed, number), hurry, pace) for number in range(devices)]
    with pool(executor, small=devices == 1) as workers:
        losses = []
        for loss in in_order(workers, run_to_loss, works):
            losses.append(loss)
            if progress:
                progress(len(losses), devices)
    for loss in losses:
        if loss.at_ns is not None and not loss.blocks_lost:
            raise ValueError(f"the store refuses a write ({loss.why}) while all its blocks are sound; give it room")
    never = 1 << 200
    times = [never if loss.at_ns is None else loss.at_ns for loss in losses]
    return SampledLosses(hurry, tuple(losses), tuple(_told(sampled(times, share), never) for share in SHARES))


def run_to_loss(work: _Work) -> StoreLoss:
    """Run one device until its store is lost. Takes the time of all the erases that its blocks last."""
    scenario = work.scenario
    sheet = scenario.chip.datasheet()
    flash = WearingFlash(len(work.limits), datasheet=sheet)
    flash.limits = work.limits
    device = Device(Store.format(flash, scenario.store.config()), start_ns=scenario.run.start)
    mortal = _Mortal()
    device.observe(mortal)
    at_ns, why = None, ""
    try:
        FastPlayer(scenario, device).play(None)
    except _Lost as lost:
        at_ns, why = int((mortal.began_ns - device.start_ns) * work.hurry), str(lost)
    lost_blocks = sum(block.state in ("bad", "damaged") for block in the_log(device.store).blocks())
    return StoreLoss(work.seed, at_ns, lost_blocks, why)


def _work(scenario: Scenario, law: Law, seed: int, hurry: float, pace: Pace) -> _Work:
    """The device with its limits divided. The erase after the limit is the one that fails, hence one less."""
    hurried = tuple(max(1, round(limit / hurry) - 1) for limit in limits_of(law, seed, len(pace.erases)))
    all_worn_ns = pace.over_ns * sum(hurried) / sum(pace.erases)
    run = scenario.run.model_copy(update={"duration": int(PATIENCE * all_worn_ns)})
    return _Work(scenario.model_copy(update={"run": run}), hurried, seed, hurry)


def _told(found: Sampled, never: int) -> Sampled:
    """Times that count: a device that never lost its store has none."""
    times = [None if time_ns == never else time_ns for time_ns in (found.at_ns, found.least_ns, found.most_ns)]
    return Sampled(found.share, *times)
