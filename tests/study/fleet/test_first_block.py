"""Fleets of unequal parts: published values and theory of the Weibull law, and simulated devices held against it.

Table values: order statistics of the Weibull distribution in closed form (the first of N is Weibull itself, with scale
N^(-1/shape); Gamma functions of its moments); that of the third was integrated numerically from the incomplete beta
function.
"""

import math
from statistics import NormalDist, fmean

import pytest

from simfs.flash import Rng, Weibull
from simfs.study.fleet.first_block import (
    Pace,
    check,
    device_seed,
    first_lost,
    first_lost_by,
    kth_lost_at,
    log_survival,
    mean_first_lost,
    simulate,
    store_lost_by,
)
from simfs.study.fleet.limit_laws import LognormalLimits, WeibullLimits, limits_of, passed
from simfs.study.fleet.order_statistics import chance_of, failed_chance, sampled

SCALE = 1e6
EVEN = Pace(10**12, (1000,) * 128, "even")  # a block reaches the scale after 10^15 ns
UNEVEN = Pace(10**12, (400, 0, *range(900, 1162)), "uneven")
SCALE_NS = 10**15

# shape: mean, median, the 1 % and the coefficient of variation of the first failure of 128 blocks, in scales
FIRST_OF_128 = {
    2: (0.078332, 0.073588, 0.008861, 0.5227),
    3: (0.177190, 0.175606, 0.042821, 0.3634),
    5: (0.347921, 0.352146, 0.151006, 0.2291),
}
LAWS = [WeibullLimits(SCALE, 3), WeibullLimits(40, 2), LognormalLimits(SCALE, 0.4)]


@pytest.mark.parametrize("shape", FIRST_OF_128)
def test_the_first_of_128_equal_blocks_is_as_published(shape):
    mean, middle, hundredth, _ = FIRST_OF_128[shape]
    law = WeibullLimits(SCALE, shape)
    assert mean_first_lost(law, EVEN) / SCALE_NS == pytest.approx(mean, abs=6e-7)
    assert first_lost_by(law, EVEN, 0.5) / SCALE_NS == pytest.approx(middle, abs=6e-7)
    assert first_lost_by(law, EVEN, 0.01) / SCALE_NS == pytest.approx(hundredth, abs=6e-7)


@pytest.mark.parametrize("shape", FIRST_OF_128)
def test_simulated_devices_agree_with_theory(shape):
    mean, _, _, variation = FIRST_OF_128[shape]
    times = [lost.at_ns for lost in simulate(WeibullLimits(SCALE, shape), EVEN, 400, seed=1)]
    tolerance = 4 * variation / math.sqrt(len(times))
    assert fmean(times) / SCALE_NS / mean == pytest.approx(1, abs=tolerance)


@pytest.mark.parametrize("law", [LAWS[0], LAWS[2]], ids=repr)
def test_simulated_devices_agree_with_the_formula_for_uneven_wear(law):
    devices = simulate(law, UNEVEN, 400, seed=2)
    judged = check(law, UNEVEN, devices)
    assert judged.agrees
    assert 0.02 < judged.tolerance < 0.15
    for share in (0.1, 0.5):
        interval = sampled([lost.at_ns for lost in devices], share)
        assert interval.least_ns < first_lost_by(law, UNEVEN, share) < interval.most_ns
    wrong = Pace(UNEVEN.over_ns, tuple(erases * 0.8 for erases in UNEVEN.erases), "slower")
    assert not check(law, wrong, devices).agrees


@pytest.mark.parametrize("law", LAWS, ids=repr)
def test_a_device_loses_the_block_that_its_limits_say(law):
    """Against the plain way: every block's limit, and the earliest erase beyond one."""
    blocks = range(len(UNEVEN.erases))
    for seed in range(20):
        limits = [law.limit_cycles(seed, block) for block in blocks]
        ends = [
            (int((limits[block] + 1) * UNEVEN.over_ns / UNEVEN.erases[block]), block)
            for block in blocks
            if UNEVEN.erases[block]
        ]
        found = first_lost(law, UNEVEN, seed)
        assert found.at_ns == min(ends)[0]
        assert (found.at_ns, found.block) in ends
        assert found.erases == limits[found.block] + 1


def test_uneven_wear_shortens_life_as_the_formula_says():
    """mean(c) / (mean c^shape)^(1 / shape): half the blocks at 1, half at 3, shape 2 gives 2 / sqrt(5)."""
    law = WeibullLimits(SCALE, 2)
    uneven = Pace(10**12, (1000, 3000) * 64, "uneven")
    for share in (0.01, 0.5):
        lives = [first_lost_by(law, pace, share) for pace in (uneven, uneven.even())]
        assert lives[0] / lives[1] == pytest.approx(0.8944, abs=5e-5)
    assert uneven.even().erases == (2000.0,) * 128


def test_the_chance_to_have_all_blocks_is_the_product():
    law = WeibullLimits(1000, 3)
    pace = Pace(10, (10, 20, 30), "three")
    chances = [math.exp(-((erases * 50 / 10 / 1000) ** 3)) for erases in pace.erases]
    assert math.exp(log_survival(law, pace, 50)) == pytest.approx(math.prod(chances))


@pytest.mark.parametrize(("shape", "mean"), [(2, 0.147453), (5, 0.459980)])
def test_the_third_of_128_is_as_published(shape, mean):
    law, steps = WeibullLimits(SCALE, shape), 1000
    found = fmean(kth_lost_at(law, 128, 3, (step + 0.5) / steps) for step in range(steps)) / SCALE
    assert found == pytest.approx(mean, rel=3e-5)
    first_ns = kth_lost_at(law, 128, 1, 0.1) * EVEN.over_ns / EVEN.erases[0]
    assert first_ns == pytest.approx(first_lost_by(law, EVEN, 0.1), rel=1e-9)


def test_blocks_that_are_left_take_over_the_wear():
    """While few have failed it makes no odds. When half have, of limits that are exponential (shape 1), a round takes
    the mean of exp(-c) from 0 to ln 2 of its first time: (1 - 1/2) / ln 2."""
    for failures, shape, factor in ((1, 3, 1.0), (64, 1, 0.5 / math.log(2))):
        law = WeibullLimits(SCALE, shape)
        cycles = kth_lost_at(law, 128, failures, 0.5)
        ratio = store_lost_by(law, EVEN, failures, 0.5) / (cycles * EVEN.over_ns / EVEN.erases[0])
        assert ratio == pytest.approx(factor, rel=0.005)


def test_failures_of_equal_blocks_are_binomial():
    """The incomplete beta I_x(a, b) of small whole numbers, by hand: I_x(1, 3) = 1 - (1 - x)^3, I_x(3, 1) = x^3."""
    assert failed_chance(1, 3, 0.2) == pytest.approx(1 - 0.8**3)
    assert failed_chance(3, 3, 0.2) == pytest.approx(0.2**3)
    assert failed_chance(2, 3, 0.2) == pytest.approx(3 * 0.04 * 0.8 + 0.008)
    assert [chance_of(0, 5, 0.0), chance_of(5, 5, 1.0), chance_of(1, 5, 0.0)] == [1, 1, 0]


def test_calibration_from_parts_that_passed():
    """231 parts (3 x 77, as in JESD47) of 128 blocks without a failure at 10^5 cycles, confidence 60 %."""
    law = passed(231, 128, 100_000, 0.6, 3)
    assert law.scale_cycles == pytest.approx(3.1837e6, rel=2e-5)
    one_of_the_parts = Pace(1, (1,) * 128, "a cycle a ns")
    all_pass = math.exp(log_survival(law, one_of_the_parts, 100_000) * 231)
    assert all_pass == pytest.approx(1 - 0.6)


def test_limits_of_a_device_are_those_of_its_blocks():
    for law in (*LAWS, WeibullLimits(3, 1)):
        assert limits_of(law, 7, 200) == [law.limit_cycles(7, block) for block in range(200)]
    worn = Weibull(SCALE, 3)
    assert limits_of(WeibullLimits(SCALE, 3), 7, 50) == [worn.limit_cycles(7, block) for block in range(50)]


def test_lognormal_limits_have_their_median_and_spread():
    law = LognormalLimits(50_000, 0.3)
    limits = [law.limit_cycles(3, block) for block in range(4000)]
    logs = [math.log(limit / 50_000) / 0.3 for limit in limits]
    assert fmean(logs) == pytest.approx(0, abs=4 / math.sqrt(4000))
    assert fmean(z * z for z in logs) == pytest.approx(1, abs=4 * math.sqrt(2 / 4000))
    for z in (-3, -1, 0, 1, 3):
        cycles = 50_000 * math.exp(0.3 * z)
        assert math.exp(law.log_survival(cycles)) == pytest.approx(1 - NormalDist().cdf(z))
        assert law.cycles_at(law.log_survival(cycles)) == pytest.approx(cycles)


def test_devices_of_a_fleet_differ_and_come_again():
    law = LAWS[0]
    found = simulate(law, EVEN, 20, seed=5)
    assert found == simulate(law, EVEN, 20, seed=5)
    assert len({lost.at_ns for lost in found}) == 20
    assert not {device_seed(5, number) for number in range(20)} & {device_seed(6, number) for number in range(20)}
    assert device_seed(5, 0) != Rng(5).u64()


class TestSampled:
    """Order statistics as bounds. For n = 100 and the median the 40th and the 61st are the usual 95 % bounds
    (tables of the sign test)."""

    def test_bounds_of_the_median(self):
        found = sampled(list(range(100, 0, -1)), 0.5)
        assert (found.at_ns, found.least_ns, found.most_ns) == (50, 40, 61)

    def test_a_small_sample_says_little_of_a_small_share(self):
        found = sampled([5, 3, 4, 1, 2], 0.01)
        assert (found.at_ns, found.least_ns, found.most_ns) == (None, None, 2)

    def test_bounds_hold_the_truth_as_often_as_they_say(self):
        trials, within = 300, 0
        for trial in range(trials):
            rng = Rng(9, trial)
            found = sampled([rng.below(1000) for _ in range(60)], 0.1)
            within += (found.least_ns or 0) <= 100 <= (found.most_ns or 1000)
        share = within / trials
        assert abs(share - 0.96) < 4 * math.sqrt(0.05 * 0.95 / trials)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Pace(0, (1,), ""), "no block is erased in this run"),
        (lambda: Pace(5, (0, 0), ""), "no block is erased in this run"),
        (lambda: passed(0, 128, 10**5, 0.6, 3), "parts must be at least 1, not 0"),
        (lambda: passed(10, 128, 10**5, 1, 3), "confidence must be between 0 and 1, not 1"),
        (lambda: passed(10, 128, 10**5, 0.6, 0), "shape must be from 0.1 to 100, not 0"),
        (lambda: LognormalLimits(0, 0.5), "median_cycles must be from 1"),
        (lambda: LognormalLimits(100, 0), "sigma must be from 0.01 to 10, not 0"),
    ],
)
def test_what_makes_no_sense_is_refused(make, said):
    with pytest.raises(ValueError, match=said):
        make()
