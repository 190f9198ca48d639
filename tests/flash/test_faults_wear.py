"""True limits of blocks against the theory of Weibull, and the gaps of rot against the geometric distribution."""

from __future__ import annotations

from decimal import localcontext
from hashlib import shake_128
from itertools import pairwise
from math import exp, gamma, log, sqrt

import pytest

from simfs.flash import Rng, Rot, Weibull, Worn
from simfs.flash.rot import Rotting
from simfs.flash.wear import Wear, exponential

# First failure of 128 equal blocks: mean/scale, 1 % quantile/scale and coefficient of variation, for three shapes.
# From the order statistics of the Weibull distribution: it is Weibull itself, with scale N^(-1/shape) of the one's.
FIRST_OF_128 = {2: (0.078332, 0.5227), 3: (0.177190, 0.3634), 5: (0.347921, 0.2291)}


@pytest.mark.parametrize("shape", FIRST_OF_128)
def test_mean_life_of_a_block(shape: int) -> None:
    """Mean: scale x gamma(1 + 1/shape); within four standard errors of so many blocks."""
    count, scale = 2000, 1e6
    lives = [Weibull(scale, shape).limit_cycles(1, block) for block in range(count)]
    mean = gamma(1 + 1 / shape)
    deviation = sqrt(gamma(1 + 2 / shape) - mean**2)
    assert abs(sum(lives) / count / scale - mean) < 4 * deviation / sqrt(count)
    for share in (0.1, 0.5, 0.9):  # the distribution function itself, binomial
        life = scale * (-log(1 - share)) ** (1 / shape)
        short = sum(limit <= life for limit in lives) / count
        assert abs(short - share) < 4 * sqrt(share * (1 - share) / count)


@pytest.mark.parametrize(("shape", "mean", "variation"), [(shape, *row) for shape, row in FIRST_OF_128.items()])
def test_first_failure_of_128_blocks(shape: int, mean: float, variation: float) -> None:
    devices, scale = 40, 1e6
    weibull = Weibull(scale, shape)
    first = [min(weibull.limit_cycles(seed, block) for block in range(128)) for seed in range(devices)]
    assert abs(sum(first) / devices / scale / mean - 1) < 4 * variation / sqrt(devices)


def test_limits_are_of_each_block_and_seed_and_at_least_1() -> None:
    weibull = Weibull(1e6, 3)
    assert weibull.limit_cycles(4, 7) == weibull.limit_cycles(4, 7)
    assert len({weibull.limit_cycles(seed, block) for seed in range(5) for block in range(5)}) == 25
    assert {Weibull(1, 100).limit_cycles(0, block) for block in range(20)} == {1}
    assert Weibull(1e15, 0.1).limit_cycles(0, 0) > 0


def test_eight_erases_with_stuck_bits_come_before_a_refusal() -> None:
    wear = Wear(Worn(limits=((0, 3),)), seed=1)
    refused = []
    for _ in range(14):
        wear.erase(0)
        refused.append(wear.refuses(0))
    assert refused == [False] * 11 + [True] * 3
    assert wear.limit_cycles(1) is None


def test_the_digits_do_not_depend_on_the_decimal_context_of_the_caller() -> None:
    weibull, expected = Weibull(1e12, 2.5), Weibull(1e12, 2.5).limit_cycles(1, 1)
    with localcontext() as context:
        context.prec = 3
        assert weibull.limit_cycles(1, 1) == expected
        cells = bytearray(2000)
        Rotting(Rot(0.01), Rng(1)).pass_over(memoryview(cells))
    others = bytearray(2000)
    Rotting(Rot(0.01), Rng(1)).pass_over(memoryview(others))
    assert cells == others


def test_random_bytes_are_shake128_of_the_next_number() -> None:
    number = Rng(6, "test").u64()
    rng = Rng(6, "test")
    assert rng.random_bytes(300) == shake_128(number.to_bytes(8, "little")).digest(300)
    assert rng.random_bytes(3) != rng.random_bytes(3)
    assert rng.random_bytes(0) == b""


def test_exponential() -> None:
    rng = Rng(3, "test")
    numbers = [float(exponential(rng)) for _ in range(4000)]
    assert min(numbers) > 0
    assert abs(sum(numbers) / 4000 - 1) < 4 / sqrt(4000)
    assert abs(sum(number > 2 for number in numbers) / 4000 - exp(-2)) < 4 * sqrt(exp(-2) * (1 - exp(-2)) / 4000)


def test_rot_does_not_depend_on_how_the_bits_are_passed_over() -> None:
    whole, pieces = bytearray(4096), bytearray(4096)
    Rotting(Rot(0.004), Rng(8)).pass_over(memoryview(whole))
    rotting = Rotting(Rot(0.004), Rng(8))
    for start in range(0, 4096, 128):
        rotting.pass_over(memoryview(pieces)[start : start + 128])
    assert whole == pieces
    assert 80 < sum(byte.bit_count() for byte in whole) < 185  # 131 expected


def test_gaps_between_flips_are_geometric() -> None:
    cells = bytearray(1 << 16)
    Rotting(Rot(0.02), Rng(5)).pass_over(memoryview(cells))
    places = [8 * at + bit for at, byte in enumerate(cells) if byte for bit in range(8) if byte >> bit & 1]
    gaps = [after - before for before, after in pairwise(places)]
    count = len(gaps)
    assert abs(sum(gaps) / count - 50) < 4 * sqrt(0.98) / 0.02 / sqrt(count)
    for longest in (1, 10, 100):
        share = 1 - 0.98**longest
        assert abs(sum(gap <= longest for gap in gaps) / count - share) < 4 * sqrt(share * (1 - share) / count)
