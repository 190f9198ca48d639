"""Shares of a population from a sample, with their error, and the k-th failure of many."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Sampled:
    """The time by which a share of the devices is there, from a sample: an estimate, and bounds that hold the true time
    with a confidence of 95 %. None: the sample is too small for it."""

    share: float
    at_ns: int | None
    least_ns: int | None
    most_ns: int | None


def sampled(times_ns: Sequence[int], share: float) -> Sampled:
    """The share's time from the times of a sample.

    The bounds are order statistics: of n devices the number that comes before the true time is binomial(n, share),
    whatever the distribution of the times (David and Nagaraja, "Order statistics", section 7.1; from memory).
    """
    ordered, count = sorted(times_ns), len(times_ns)
    rank = max(1, math.ceil(count * share))
    tail = (1 - CONFIDENCE) / 2
    below, least, most = 0.0, None, None
    for number in range(count + 1):
        if below <= tail and number:
            least = ordered[number - 1]  # so few come before it too rarely
        below += chance_of(number, count, share)
        if most is None and 1 - below <= tail and number < count:
            most = ordered[number]
    at_ns = ordered[rank - 1] if count * share >= 1 else None
    return Sampled(share, at_ns, least, most)


def chance_of(number: int, count: int, share: float) -> float:
    """The binomial chance of exactly `number` of `count`."""
    if share <= 0 or share >= 1:
        return float(number == (count if share >= 1 else 0))
    ways = math.lgamma(count + 1) - math.lgamma(number + 1) - math.lgamma(count - number + 1)
    return math.exp(ways + number * math.log(share) + (count - number) * math.log1p(-share))


def failed_chance(failures: int, count: int, share: float) -> float:
    """The chance that at least so many of `count` equal blocks have failed, if each has failed with the chance `share`:
    the regularized incomplete beta I_share(failures, count - failures + 1), for whole numbers a binomial sum."""
    return max(0.0, 1 - math.fsum(chance_of(number, count, share) for number in range(failures)))
