"""How many erases the blocks of a part last: laws that the user gives, directly or by a test that the parts passed.

Rated cycles are the least that the maker promises; parts and blocks differ, and most last longer. We know of no
published parameters for NOR flash, so none are built in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Protocol

from simfs.flash import Rng, Weibull
from simfs.flash.rng import first_numbers

_LEAST_LOG = math.log(1e-300)
_NORMAL = NormalDist()
_LAST_CHANCE = 1 - 2.0**-53  # the largest below 1


class Law(Protocol):
    """A distribution of limits."""

    def log_survival(self, cycles: float) -> float:
        """The logarithm of the chance that a block lasts so many erases."""

    def cycles_at(self, log_survival: float) -> float:
        """The erases that a block lasts with a chance, which is given by its logarithm."""

    def limit_cycles(self, seed: int, block: int) -> int:
        """How many erases this block of the device with that seed lasts, at least 1. Cost: up to 0.1 ms."""


class WeibullLimits(Weibull):
    """The Weibull law, as `simfs.flash.Worn` has it: both give a device's blocks the same limits."""

    __slots__ = ()

    def log_survival(self, cycles: float) -> float:
        """-(cycles / scale)^shape."""
        if cycles <= 0:
            return 0.0
        power = self.shape * math.log(cycles / self.scale_cycles)
        return -math.exp(power) if power < -_LEAST_LOG else -math.inf

    def cycles_at(self, log_survival: float) -> float:
        return float(self.scale_cycles * (-log_survival) ** (1 / self.shape))


@dataclass(frozen=True, slots=True)
class LognormalLimits:
    """The lognormal law: half of the blocks last `median_cycles` or more, and `sigma` is the standard deviation of the
    limit's logarithm. ValueError unless the median is from 1 to 1e15 and sigma from 0.01 to 10."""

    median_cycles: float
    sigma: float

    def __post_init__(self) -> None:
        for field, least, most in (("median_cycles", 1, 1e15), ("sigma", 0.01, 10)):
            if not least <= getattr(self, field) <= most:
                raise ValueError(f"{field} must be from {least:g} to {most:g}, not {getattr(self, field)}")

    def log_survival(self, cycles: float) -> float:
        """ln(1 - Phi(z)), z = ln(cycles / median) / sigma."""
        if cycles <= 0:
            return 0.0
        z = math.log(cycles / self.median_cycles) / self.sigma
        if z < 0:
            return math.log1p(-math.erfc(-z / math.sqrt(2)) / 2)
        left = math.erfc(z / math.sqrt(2)) / 2
        return math.log(left) if left else -math.inf

    def cycles_at(self, log_survival: float) -> float:
        return self.median_cycles * math.exp(self.sigma * -_NORMAL.inv_cdf(math.exp(log_survival)))

    def limit_cycles(self, seed: int, block: int) -> int:
        left = (Rng(seed, "limit", block).u64() + 0.5) * 2.0**-64
        return max(1, int(self.cycles_at(math.log(min(max(left, 2.0**-65), _LAST_CHANCE)))))


def chances(seed: int, block_count: int) -> list[float]:
    """For each block of a device, the chance that a limit is below its own: the smaller, the sooner it fails, by
    whichever law. Cost: 1.5 microseconds a block."""
    # As the laws draw: from the first number of the block's stream, small limits for large numbers.
    numbers = first_numbers(seed, "limit", block_count)
    return [min((2 * ((1 << 64) - 1 - number) + 1) / (1 << 65), _LAST_CHANCE) for number in numbers]


def limits_of(law: Law, seed: int, block_count: int) -> list[int]:
    """`law.limit_cycles` of each block of a device, for a fiftieth of the time."""
    limits = []
    for block, chance in enumerate(chances(seed, block_count)):
        rough = law.cycles_at(math.log1p(-chance))
        doubtful = rough < 2 or abs(rough - round(rough)) <= rough * 1e-9  # floats may fall on the other side
        limits.append(law.limit_cycles(seed, block) if doubtful else int(rough))
    return limits


def passed(parts: int, blocks: int, cycles: int, confidence: float, shape: float) -> WeibullLimits:
    """The Weibull law of a part that passed a test: `parts` parts of `blocks` blocks each lasted `cycles` erases, and
    none failed. It is the law of the worst scale that such a test allows, with that confidence. The shape stays the
    user's guess.

    A share p = 1 - (1 - confidence)^(1 / parts) of all parts may then fail, so scale = cycles x
    (blocks / -ln(1 - p))^(1 / shape). ValueError for counts below 1 and a confidence that is not between 0 and 1.
    (The success-run theorem; see JESD47 for tests of 3 x 77 parts without failure.)
    """
    for name, count in (("parts", parts), ("blocks", blocks), ("cycles", cycles)):
        if count < 1:
            raise ValueError(f"{name} must be at least 1, not {count}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, not {confidence}")
    log_survival = math.log1p(-confidence) / parts  # ln(1 - p)
    WeibullLimits(cycles, shape)  # refuses a shape that is none
    return WeibullLimits(cycles * (blocks / -log_survival) ** (1 / shape), shape)
