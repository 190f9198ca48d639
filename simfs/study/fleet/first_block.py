"""When the devices of a fleet lose their first block.

All devices do the same work, so they go the same way until their first block fails: block i has had c_i erases by then
on all of them, and only the limits differ. So one run serves all, and there is a formula: the chance that a device
still has all its blocks is prod S(c_i), where S(c) is the chance that one block lasts c erases. With Weibull limits
that is exp(-sum (c_i / scale)^shape). Simulated devices, with a limit drawn for each block, check it.

After the run the blocks go on wearing at its pace. The result is as exact as the pace. A pace from few erases is rough,
and makes wear look less even than it will become.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from statistics import fmean, pstdev

from simfs.flash.rng import stream_key
from simfs.study.fleet.limit_laws import Law, chances
from simfs.study.fleet.order_statistics import failed_chance
from simfs.study.pools import in_order, pool

SHARES = (0.01, 0.1, 0.5)
BISECTIONS = 60
SIMPSON_STEPS = 400
BLOCKS_AT_ONCE = 50_000  # of simulated devices, some 0.2 s of work
SMALL = 4  # pieces of work for which it is not worth while to begin processes
_SLACK = 1 + 1e-9  # floats that are compared in place of exact numbers


@dataclass(frozen=True, slots=True)
class Pace:
    """How often each block was erased in `over_ns`; `source` says in which run. ValueError when nothing was erased."""

    over_ns: int
    erases: tuple[float, ...]
    source: str

    def __post_init__(self) -> None:
        if self.over_ns <= 0 or not any(self.erases):
            raise ValueError("no block is erased in this run, so nothing wears; run it longer")

    def even(self) -> Pace:
        """The same wear, shared by all blocks alike."""
        return Pace(self.over_ns, (fmean(self.erases),) * len(self.erases), f"{self.source}, as if even")

    def beside(self, others: Iterable[Pace]) -> Pace:
        """The wear of these blocks and those of others together, in the time of this one."""
        all_erases = list(self.erases)
        for other in others:
            all_erases += [erases * self.over_ns / other.over_ns for erases in other.erases]
        return Pace(self.over_ns, tuple(all_erases), self.source)


@dataclass(frozen=True, slots=True)
class Lost:
    """The first block that a device loses: in which of its erases, and when."""

    block: int
    erases: int
    at_ns: int


@dataclass(frozen=True, slots=True)
class Check:
    """The mean time of the simulated devices against the formula's: their ratio may be off by `tolerance`, which is
    4 standard deviations of such a mean."""

    devices: int
    mean_ns: int
    simulated_mean_ns: int
    tolerance: float

    @property
    def off(self) -> float:
        return self.simulated_mean_ns / self.mean_ns - 1

    @property
    def agrees(self) -> bool:
        return abs(self.off) <= self.tolerance


def log_survival(law: Law, pace: Pace, at_ns: float) -> float:
    """The logarithm of the chance that a device still has all its blocks."""
    alike = Counter(pace.erases)
    return math.fsum(count * law.log_survival(erases * at_ns / pace.over_ns) for erases, count in alike.items())


def first_lost_by(law: Law, pace: Pace, share: float) -> int:
    """The time, in ns from new, by which this share of the fleet has lost a block. `share` lies between 0 and 1."""
    wanted = math.log1p(-share)
    hottest = pace.over_ns / max(pace.erases)
    bounds = [hottest * law.cycles_at(wanted / len(pace.erases)), hottest * law.cycles_at(wanted)]
    return int(_falls_to(wanted, lambda at_ns: log_survival(law, pace, at_ns), *bounds))


def kth_lost_at(law: Law, blocks: int, failures: int, share: float) -> float:
    """The erases of each block by which k of N equal blocks have failed on this share of the devices:
    P = I_F(cycles)(k, N - k + 1)."""

    def kept(cycles: float) -> float:
        return 1 - failed_chance(failures, blocks, -math.expm1(law.log_survival(cycles)))

    return _falls_to(1 - share, kept, law.cycles_at(-1e-12), law.cycles_at(math.log(1e-12)))


def store_lost_by(law: Law, pace: Pace, failures: int, share: float) -> int:
    """The time, in ns from new, by which this share of the fleet has lost so many blocks, if the blocks that are left
    share the wear evenly: with S(c) of them left, a round of erases takes S(c) times as long as it did at first.

    It ignores that cleaning costs more the fewer blocks are left, so the time is rather too long than too short. It
    takes the mean number of blocks left, so the formula is not exact.
    """
    blocks, even = len(pace.erases), pace.even()
    end = kth_lost_at(law, blocks, failures, share)
    left = [math.exp(law.log_survival(end * step / SIMPSON_STEPS)) for step in range(SIMPSON_STEPS + 1)]
    return int(simpson(left, end / SIMPSON_STEPS) * even.over_ns / even.erases[0])


def mean_first_lost(law: Law, pace: Pace) -> int:
    """The mean time to the first lost block: the integral of t x survival over ln t, by Simpson's rule, to 1e-6."""
    first, last = (math.log(first_lost_by(law, pace, share)) for share in (1e-9, 1 - 1e-12))
    step = (last - first) / SIMPSON_STEPS
    times = [math.exp(first + number * step) for number in range(SIMPSON_STEPS + 1)]
    return int(times[0] + simpson([at_ns * math.exp(log_survival(law, pace, at_ns)) for at_ns in times], step))


def simpson(heights: Sequence[float], step: float) -> float:
    """The integral of a smooth curve through heights at even steps, an odd number of them, by Simpson's rule."""
    return step / 3 * math.fsum([heights[0], heights[-1], 4 * math.fsum(heights[1::2]), 2 * math.fsum(heights[2:-1:2])])


def device_seed(seed: int, number: int) -> int:
    """The seed of a device of the fleet: `Faults(device_seed(...), worn=Worn(drawn=law))` is the same device."""
    return stream_key(seed, "device", number)


def first_lost(law: Law, pace: Pace, seed: int) -> Lost:
    """The first block that the device with this seed loses. A block with the limit L fails in its erase L + 1.

    It looks at blocks from the weakest on, until no other could fail earlier even if it wore fastest. Cost: 1.5
    microseconds for each block, and 0.1 ms for each of the few whose limit has to be exact.
    """
    weakness = chances(seed, len(pace.erases))
    fastest, best = max(pace.erases), None
    for block in sorted(range(len(weakness)), key=weakness.__getitem__):
        cycles = law.cycles_at(math.log1p(-weakness[block]))
        if best is not None and cycles * pace.over_ns > best.at_ns * fastest * _SLACK:
            break
        if best is not None and cycles * pace.over_ns > best.at_ns * pace.erases[block] * _SLACK:
            continue
        erases = law.limit_cycles(seed, block) + 1
        lost = Lost(block, erases, int(erases * pace.over_ns / pace.erases[block])) if pace.erases[block] else None
        if lost is not None and (best is None or lost.at_ns < best.at_ns):
            best = lost
    assert best is not None
    return best


def simulate(
    law: Law,
    pace: Pace,
    devices: int,
    seed: int,
    *,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Lost]:
    """The first lost block of each of so many devices, on any `executor`, or on all cores without one. `progress` is
    called with the devices that are done, and all."""
    at_once = max(BLOCKS_AT_ONCE // len(pace.erases), 1)
    some = [range(first, min(first + at_once, devices)) for first in range(0, devices, at_once)]
    losses: list[Lost] = []
    with pool(executor, small=len(some) <= SMALL) as workers:
        for found in in_order(workers, partial(_first_losses, law, pace, seed), some):
            losses += found
            if progress:
                progress(len(losses), devices)
    return losses


def _first_losses(law: Law, pace: Pace, seed: int, numbers: range) -> list[Lost]:
    return [first_lost(law, pace, device_seed(seed, number)) for number in numbers]


def _falls_to(wanted: float, height: Callable[[float], float], least: float, most: float) -> float:
    """Where a falling curve reaches `wanted`, by bisection between two bounds, to the last digit of a float."""
    for _ in range(BISECTIONS):
        middle = (least + most) / 2
        if height(middle) > wanted:
            least = middle
        else:
            most = middle
    return most


def check(law: Law, pace: Pace, losses: Sequence[Lost]) -> Check:
    """Compare simulated devices with the formula."""
    times = [lost.at_ns for lost in losses]
    mean_ns = fmean(times)
    tolerance = 4 * pstdev(times) / mean_ns / math.sqrt(len(times))
    return Check(len(times), mean_first_lost(law, pace), int(mean_ns), tolerance)
