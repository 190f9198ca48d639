"""Values that look like what a sensor gives: a mean, waves, a random walk, noise.

Everything is worked out in integers, sines included, so that the same seed gives the same digits on every Python and
every machine.
"""

from __future__ import annotations

from collections.abc import Callable

from simfs.flash.rng import Rng
from simfs.replay.scenario.tables import Value, Walk

FRACTION_BITS = 30
_ONE = 1 << FRACTION_BITS
_HALF_PI = 1_686_629_713  # pi/2 with FRACTION_BITS bits behind the point


def _sine_coefficients() -> tuple[int, ...]:
    """Taylor's series of sin(pi/2 x) up to x^13: wrong by less than 1e-9 for x from 0 to 1."""
    term, coefficients = _HALF_PI, [_HALF_PI]
    for power in range(3, 15, 2):
        term = -(((term * _HALF_PI) >> FRACTION_BITS) * _HALF_PI >> FRACTION_BITS) // (power * (power - 1))
        coefficients.append(term)
    return tuple(reversed(coefficients))


_COEFFICIENTS = _sine_coefficients()


def sine(part: int, whole: int) -> int:
    """2^30 times the sine of the angle that is `part`/`whole` of a full turn, to about one part in 10^8."""
    quarter, within = divmod((part % whole) * 4 * _ONE // whole, _ONE)
    x = _ONE - within if quarter & 1 else within
    square = (x * x) >> FRACTION_BITS
    total = 0
    for coefficient in _COEFFICIENTS:
        total = (total * square >> FRACTION_BITS) + coefficient
    total = min(total * x >> FRACTION_BITS, _ONE)
    return -total if quarter >= 2 else total


def reader(reading: Value, rng: Rng, now_ns: Callable[[], int]) -> Callable[[], str]:
    """A function that gives the next reading as text, with exactly `decimals` digits behind the point."""
    scale: int = 10**reading.decimals

    def units(value: float) -> int:
        return round(value * scale)

    mean, noise = units(reading.mean), units(reading.noise)
    waves = [(units(wave.amplitude), wave.period, wave.phase) for wave in reading.waves]
    least = None if reading.least is None else units(reading.least)
    most = None if reading.most is None else units(reading.most)
    step_of_walk = _walker(units, reading.walk, rng)

    def read() -> str:
        now = now_ns()
        swing = sum(amplitude * sine(now + phase, period) for amplitude, period, phase in waves)
        value = mean + ((swing + _ONE // 2) >> FRACTION_BITS) + step_of_walk()
        if noise:
            value += rng.below(2 * noise + 1) - noise
        if least is not None and value < least:
            value = least
        if most is not None and value > most:
            value = most
        return point_set(value, reading.decimals)

    return read


def point_set(units: int, decimals: int) -> str:
    """`units` of 10^-decimals each, written with the point: 5 and 2 give 0.05."""
    if not decimals:
        return str(units)
    sign = "-" if units < 0 else ""
    whole, fraction = divmod(abs(units), 10**decimals)
    return f"{sign}{whole}.{fraction:0{decimals}}"


def _walker(units: Callable[[float], int], walk: Walk | None, rng: Rng) -> Callable[[], int]:
    if walk is None:
        return lambda: 0
    step, least, most = units(walk.step), units(walk.least), units(walk.most)
    at = 0

    def advance() -> int:
        nonlocal at
        at = min(max(at + rng.below(2 * step + 1) - step, least), most)
        return at

    return advance
