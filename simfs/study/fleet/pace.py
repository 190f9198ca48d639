"""The pace at which a device wears its blocks: that of the run as it is, or that of a longer run, known better."""

from __future__ import annotations

from collections.abc import Callable

from simfs.files.store import the_log
from simfs.replay.device.device import Run
from simfs.replay.scenario.tables import Scenario
from simfs.study.fleet.first_block import Lost, Pace, device_seed
from simfs.study.fleet.limit_laws import Law, limits_of
from simfs.study.fleet.shared_path import first_losses
from simfs.study.life.end_of_life import end_of_life
from simfs.study.run.life_projection import HOLDING, fillings

Progress = Callable[[int, int], None]
Limits = list[list[int]]

PATIENCE = 4  # times as long as the run's own pace says


def pace_of_run(run: Run) -> Pace:
    """The erases of each block in the run's time, counted as in `simfs.study.run.life_projection`. ValueError when
    nothing was erased."""
    erases = [now - first for now, first in zip(run.flash.erase_counts, run.erase_counts_first, strict=True)]
    fills = fillings(erases, [block.state in HOLDING for block in the_log(run.store).blocks()])
    return Pace(run.duration_ns, tuple(fills) if any(erases) else (), "the run as it is")


def pace_of_life(scenario: Scenario, roughly: Pace, cycles: int, progress: Progress | None = None) -> Pace:
    """The erases of each block until the first block has had so many; the pace is then known to one in that number.

    `roughly` is the pace of a short run. A pace that falls below a quarter of it is refused with a ValueError. Takes
    the time of all those erases.
    """
    roughly_ns = int(roughly.over_ns * cycles / max(roughly.erases))
    found = end_of_life(
        scenario, until="limit", limits=(cycles,) * len(roughly.erases), max_ns=PATIENCE * roughly_ns, progress=progress
    )
    if found.at_ns is None:
        raise ValueError("its tasks end or slow down, so it has no pace that lasts; take that of the run as it is")
    return Pace(found.at_ns, found.erase_counts, f"until the first block's {cycles:,}th erase")


def limits_of_fleet(law: Law, blocks: int, devices: int, seed: int, progress: Progress | None = None) -> Limits:
    """The limits of every block of the devices of `first_block.simulate`. Takes up to 25 us for each."""
    limits = []
    for number in range(devices):
        limits.append(limits_of(law, device_seed(seed, number), blocks))
        if progress:
            progress(len(limits), devices)
    return limits


def losses_of_life(
    scenario: Scenario, roughly: Pace, limits: Limits, progress: Progress | None = None
) -> tuple[Pace, list[Lost]]:
    """The first block that each device with such limits loses, found by carrying the run on, and the pace until the
    last has. `roughly` is as for `pace_of_life`. Takes the time of all the erases that the longest-lived device lasts.
    """
    longest = max(min(of_device) for of_device in limits) + 1
    max_ns = int(PATIENCE * roughly.over_ns * longest / min(filter(None, roughly.erases)))
    losses, pace = first_losses(scenario, limits, max_ns=max_ns, progress=progress)
    return pace, losses
