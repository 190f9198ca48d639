"""What a sensor of a scenario reads: sines, walks, noise and bounds against theory, and each reading by its number."""

from __future__ import annotations

import math
from itertools import pairwise
from statistics import fmean, pvariance
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfs.flash.rng import BLOCK_NUMBERS
from simfs.replay.device.clock import NS_PER_DAY, moment
from simfs.replay.player.sensor_values import FRACTION_BITS, Sensor, length_of, point_set, sine, sines
from simfs.replay.scenario.tables import Value


def sensor(seed: int = 1, name: str = "level", task: str = "gauge", **table: Any) -> Sensor:
    """One that is read once in each run."""
    made = Sensor(Value.model_validate(table), seed, name, task)
    made.reserve(1)
    return made


def numbers(of: Sensor, count: int, first: int = 0) -> list[float]:
    """Its readings at a time of no matter, as numbers."""
    return [float(point_set(units, of.decimals)) for units in of.readings(first, 0, [0] * count)]


def test_the_sine_is_the_hosts_to_eight_digits() -> None:
    whole = 7919
    worst = max(
        abs(sine(part, whole) / 2**FRACTION_BITS - math.sin(2 * math.pi * part / whole)) for part in range(-9, 16_000)
    )
    assert worst < 2e-8


@pytest.mark.parametrize("whole", [1, 2, 3, 2048, 7919, 10**15 + 37])
def test_many_sines_are_the_hosts_to_eight_digits(whole: int) -> None:
    step = max(1, whole // 7919)
    parts = range(-9 * step, 16_000 * step, step)
    hosts = [math.sin(2 * math.pi * (part % whole / whole)) for part in parts]
    worst = max(abs(ours / 2**FRACTION_BITS - host) for ours, host in zip(sines(parts, whole), hosts, strict=True))
    assert worst < 2e-8


@pytest.mark.parametrize(
    ("units", "decimals", "text"),
    [(5, 2, "0.05"), (-5, 2, "-0.05"), (-1234, 3, "-1.234"), (12, 0, "12"), (0, 1, "0.0")],
)
def test_readings_are_written_with_all_their_digits(units: int, decimals: int, text: str) -> None:
    assert point_set(units, decimals) == text


@pytest.mark.parametrize(
    ("table", "width", "length"),
    [
        ({"mean": 18.5, "decimals": 1, "noise": 0.4}, 0, 4),
        ({"mean": 99.5, "decimals": 1, "noise": 0.5}, 0, None),
        ({"mean": 0.5, "noise": 9.5}, 0, None),
        ({"mean": 0.5, "noise": 9.5}, 3, 3),
        ({"mean": 15, "noise": 20, "least": 10, "most": 99}, 0, 2),
        ({"mean": 50, "waves": [{"amplitude": -39, "period": "1 d"}]}, 0, 2),
        ({"mean": 50, "waves": [{"amplitude": 30, "period": "1 d"}, {"amplitude": 11, "period": "9 h"}]}, 0, None),
        ({"mean": 50, "walk": {"step": 1, "least": -40, "most": 49}}, 0, 2),
        ({"mean": 50, "walk": {"step": 1}}, 0, None),
    ],
)
def test_how_long_the_texts_of_all_readings_are(table: dict[str, Any], width: int, length: int | None) -> None:
    assert length_of(Value.model_validate(table), width) == length


def bounded(table: dict[str, Any]) -> dict[str, Any]:
    """With the bounds as keys of their own."""
    least, most = table.pop("bounds", (None, None))
    return table if least is None else {**table, "least": least, "most": most}


WAVE = st.fixed_dictionaries({"amplitude": st.floats(-9, 9), "period": st.just("1 d")})
BOUND = st.floats(-99, 99)
BOUNDS = st.tuples(BOUND, BOUND).map(sorted)
VALUE = st.fixed_dictionaries(
    {"mean": BOUND, "decimals": st.integers(0, 2), "noise": st.floats(0, 9)},
    optional={
        "waves": st.lists(WAVE, max_size=2),
        "walk": st.tuples(st.floats(1, 9), BOUNDS).map(
            lambda one: {"step": one[0], "least": one[1][0], "most": one[1][1]}
        ),
        "bounds": BOUNDS,
    },
).map(bounded)


@given(VALUE, st.integers(0, 5))
def test_no_reading_has_another_length_than_all_are_said_to_have(table: dict[str, Any], width: int) -> None:
    made = sensor(**table)
    length = length_of(made.value, width)
    times = range(0, NS_PER_DAY, NS_PER_DAY // 100)
    lengths = {len(point_set(units, made.decimals).rjust(width)) for units in made.readings(0, 0, times)}
    assert length is None or lengths == {length}


@given(st.integers(-(10**14), 10**14), st.integers(0, 6))
def test_readings_are_written_as_python_writes_them(units: int, decimals: int) -> None:
    """A float holds fifteen digits, so it comes back with all that it was made of; but it has a zero below zero."""
    assert point_set(units, decimals) == f"{units / 10**decimals:.{decimals}f}"


def test_a_tide_swings_around_its_mean_by_its_amplitude() -> None:
    tide = sensor(mean=2.5, decimals=2, waves=[{"amplitude": 1.5, "period": "24 h"}])
    shown = [point_set(units, 2) for units in tide.readings(0, 0, range(0, NS_PER_DAY, NS_PER_DAY // 8))]
    # 2.5 + 1.5 sin(45 degrees) = 3.5607
    assert shown == ["2.50", "3.56", "4.00", "3.56", "2.50", "1.44", "1.00", "1.44"]


def test_waves_add_up_with_their_phases() -> None:
    waves = [{"amplitude": 3, "period": "12h 25min 14s", "phase": "1 h"}, {"amplitude": -0.7, "period": "1 d"}]
    tide = sensor(mean=-1, decimals=3, waves=waves)
    start_ns = moment(2031, 4, 5)
    times = [start_ns + at * 600 * 10**9 for at in range(1000)]
    for at_ns, units in zip(times, tide.readings(0, 0, times), strict=True):
        first = 2 * math.pi * ((at_ns + 3600 * 10**9) % (44_714 * 10**9) / (44_714 * 10**9))
        second = 2 * math.pi * (at_ns % NS_PER_DAY / NS_PER_DAY)
        assert units == pytest.approx(1000 * (-1 + 3 * math.sin(first) - 0.7 * math.sin(second)), abs=0.501)


def test_a_walk_keeps_its_steps_and_its_bounds() -> None:
    readings = numbers(sensor(3, mean=20.0, decimals=1, walk={"step": 0.5, "least": -1.0, "most": 2.0}), 1000)
    assert min(readings) == 19.0
    assert max(readings) == 22.0
    assert max(abs(b - a) for a, b in pairwise(readings)) <= 0.5 + 1e-9
    assert len(set(readings)) > 20


def test_a_free_walk_goes_as_far_as_theory_says() -> None:
    """After n steps of a uniform integer from -s to s it is off by sqrt(n s(s+1)/3) on average: a sum of variances."""
    ends = [numbers(sensor(seed, walk={"step": 10}), 600)[-1] for seed in range(400)]
    expected = 600 * 10 * 11 / 3
    assert abs(fmean(ends)) < 4 * math.sqrt(expected / 400)
    assert pvariance(ends) == pytest.approx(expected, rel=4 * math.sqrt(2 / 400))


def test_a_walk_begins_within_its_bounds() -> None:
    readings = numbers(sensor(walk={"step": 1, "least": 5, "most": 9}), 300)
    assert readings[0] == 5
    assert (min(readings), max(readings)) == (5, 9)


def test_noise_is_even_around_the_mean() -> None:
    """Mean and variance, n(n+1)/3, of a uniform integer from -n to n, each within four standard errors."""
    units = sensor(decimals=2, mean=-7, noise=0.5).readings(0, 0, [0] * 20_000)
    expected = 50 * 51 / 3
    assert (min(units), max(units)) == (-750, -650)
    assert fmean(units) == pytest.approx(-700, abs=4 * math.sqrt(expected / 20_000))
    assert pvariance(units) == pytest.approx(expected, rel=4 * math.sqrt(0.8 / 20_000))  # kurtosis 1.8


def test_noise_is_clamped_and_comes_from_the_seed() -> None:
    noisy: Any = {"mean": 1.0, "decimals": 3, "noise": 1.0, "least": 0.5, "most": 1.2}
    first, again, other = (numbers(sensor(seed, **noisy), 1) for seed in (1, 1, 2))
    assert first == again != other
    readings = numbers(sensor(1, **noisy), 200)
    assert (min(readings), max(readings)) == (0.5, 1.2)


def test_values_and_tasks_have_readings_of_their_own() -> None:
    table: Any = {"noise": 1000, "walk": {"step": 1000}}
    one, again = (numbers(sensor(**table), 50) for _ in range(2))
    others = [numbers(sensor(**table | other), 50) for other in ({"name": "temp"}, {"task": "log"}, {"seed": 2})]
    assert one == again
    assert all(len(set(zip(one, other, strict=True)) & set(zip(one, one, strict=True))) < 3 for other in others)


def test_walk_and_noise_do_not_move_together() -> None:
    """The correlation of 10,000 independent pairs is below 4/100 but for one time in 16,000."""
    steps = [b - a for a, b in pairwise([0, *numbers(sensor(walk={"step": 100}), 10_000)])]
    noise = numbers(sensor(noise=100), 10_000)
    assert abs(fmean(a * b for a, b in zip(steps, noise, strict=True))) < 4 * (100 * 101 / 3) / 100


LIVELY: Any = {
    "mean": 3,
    "decimals": 2,
    "noise": 0.3,
    "walk": {"step": 0.1, "least": -2, "most": 2},
    "waves": [{"amplitude": 1.5, "period": "12h 25min 14s", "phase": "3 h"}],
    "least": 1,
    "most": 5,
}
ALL = sensor(**LIVELY).readings(0, 0, range(0, 1200 * 10**12, 10**12))


@given(st.lists(st.tuples(st.integers(0, 1199), st.integers(1, 600)), min_size=1, max_size=6))
def test_a_reading_depends_on_its_number_and_moment_alone(asked: list[tuple[int, int]]) -> None:
    """In whatever order they are asked for, over the borders of blocks, and again."""
    fresh = sensor(**LIVELY)
    for first, count in asked:
        end = min(first + count, 1200)
        assert fresh.readings(first, 0, range(first * 10**12, end * 10**12, 10**12)) == ALL[first:end]


def test_a_walk_goes_on_from_block_to_block_and_is_found_again() -> None:
    walk: Any = {"walk": {"step": 5}}
    whole = numbers(sensor(**walk), 6 * BLOCK_NUMBERS)
    assert max(abs(b - a) for a, b in pairwise(whole)) == 5
    fresh = sensor(**walk)
    for block in (5, 0, 3, 1, 5):
        first = block * BLOCK_NUMBERS - (block > 0)
        assert numbers(fresh, 20, first) == whole[first : first + 20]


def test_readings_within_a_run_have_numbers_in_a_row() -> None:
    alone, shared = sensor(noise=1000), Sensor(Value(noise=1000), 1, "level", "gauge")
    assert [shared.reserve(2), shared.reserve(3)] == [0, 2]
    whole = alone.readings(0, 0, [0] * 500)
    for within in range(5):
        assert shared.readings(7, within, [0] * 60) == whole[35 + within : 335 + within : 5]
