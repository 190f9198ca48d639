"""Values that look like what a sensor gives: a mean, waves, a random walk, noise.

Everything is worked out in integers, sines included, so that the same seed gives the same digits on every Python and
every machine. A reading is a function of its number and of the moment alone. The readings of one run of a task have
numbers in a row, one for each place in the texts of its operations, and the next run has the numbers after these,
whether or not anything was written: so it makes no difference to a reading what was asked for before it, or how often.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, lru_cache
from math import gcd
from operator import add

from simfs.flash.rng import BLOCK_NUMBERS, Blocks, uniform
from simfs.replay.scenario.tables import Value, Walk

FRACTION_BITS = 30
_ONE = 1 << FRACTION_BITS
_HALF_PI = 1_686_629_713  # pi/2 with FRACTION_BITS bits behind the point

_ANGLE_BITS = 32  # of a full turn
_TABLE_BITS = 11
_WITHIN_BITS = _ANGLE_BITS - _TABLE_BITS  # of an angle between two entries of the table
_WITHIN_MASK, _FULL_TURN, _HALVED_BITS = (1 << _WITHIN_BITS) - 1, 4 * _HALF_PI, FRACTION_BITS + 1


_ANGLES_KEPT = 1 << 12  # of a turn: to work these out takes a few milliseconds


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


@cache
def _sine_table() -> tuple[tuple[int, int], ...]:
    """Sine and cosine of 2048 angles. It takes a few milliseconds, so it is made for those who need it."""
    entries = 1 << _TABLE_BITS
    return tuple((sine(at, entries), sine(at + entries // 4, entries)) for at in range(entries))


def sines(parts: Sequence[int], whole: int) -> list[int]:
    """As `sine`, for many parts at once; just as exact, though the last digits may differ.

    From the nearest smaller angle in a table on by Taylor's series: sin(a + x) = sin a + x cos a - x^2/2 sin a, where
    x is at most 2 pi/2048, and what is left out at most x^3/6, 5e-9. Cost: about 0.4 microseconds each, less for a
    range, whose parts and whole are divided by what they have in common: where few angles are left in a turn they are
    worked out once, else Python counts faster with small numbers.
    """
    if not isinstance(parts, range):
        return _sines(parts, whole)
    common = gcd(parts.start, parts.step, whole)
    first, step, whole = parts.start // common, parts.step // common, whole // common
    reduced = range(first % whole, first % whole + len(parts) * step, step)
    if whole > _ANGLES_KEPT:
        return _sines(reduced, whole)
    turn = _turn(whole)
    return [turn[part % whole] for part in reduced]


@lru_cache(32)
def _turn(whole: int) -> list[int]:
    """The sines of a full turn in so many parts."""
    return _sines(range(whole), whole)


def _sines(parts: Sequence[int], whole: int) -> list[int]:
    table, found = _sine_table(), []
    for part in parts:
        angle = (part % whole << _ANGLE_BITS) // whole
        sine_before, cosine_before = table[angle >> _WITHIN_BITS]
        x = (angle & _WITHIN_MASK) * _FULL_TURN >> _ANGLE_BITS
        slope = cosine_before - (x * sine_before >> _HALVED_BITS)
        found.append(sine_before + (x * slope >> FRACTION_BITS))
    return found


def in_units(value: Value, amount: float) -> int:
    """An amount in units of the last digit that is shown."""
    scale: int = 10**value.decimals
    return round(amount * scale)


def length_of(value: Value, width: int) -> int | None:
    """How long the text of each reading is, filled up to `width`; None if they are not all of one length."""
    least, most = _range_units(value)
    nearest_zero = min(max(0, least), most)
    lengths = [max(len(point_set(units, value.decimals)), width) for units in (least, nearest_zero, most)]
    return lengths[0] if len(set(lengths)) == 1 else None


def _range_units(value: Value) -> tuple[int, int]:
    """No reading is beyond these. The sines of waves may be off by a little."""
    mean, noise = in_units(value, value.mean), in_units(value, value.noise)
    amplitudes = [abs(in_units(value, wave.amplitude)) for wave in value.waves]
    swing = sum(amplitude + (amplitude >> FRACTION_BITS - 8) for amplitude in amplitudes) + bool(amplitudes)
    least, most = mean - noise - swing, mean + noise + swing
    if value.walk:
        ends = in_units(value, value.walk.least), in_units(value, value.walk.most)
        least, most = least + min(ends), most + max(ends)
    if value.least is not None:
        least, most = (max(units, in_units(value, value.least)) for units in (least, most))
    if value.most is not None:
        least, most = (min(units, in_units(value, value.most)) for units in (least, most))
    return least, most


class Sensor:
    """The readings of one value in one task. They are whole numbers, in units of the last digit that is shown."""

    def __init__(self, value: Value, seed: int, name: str, task: str) -> None:
        self.value, self.decimals = value, value.decimals
        mean, noise = self._units(value.mean), self._units(value.noise)
        self._noisy = uniform(mean - noise, mean + noise, seed, "noise", name, task)
        self._walk = self._walked(value.walk, seed, name, task) if value.walk else None
        self._waves = [(self._units(wave.amplitude), wave.period, wave.phase) for wave in value.waves]
        self._least = None if value.least is None else self._units(value.least)
        self._most = None if value.most is None else self._units(value.most)
        self._in_a_run = 0

    def reserve(self, count: int) -> int:
        """Number so many more in each run of the task; how many were numbered before. All of it before the first
        reading is taken."""
        before = self._in_a_run
        self._in_a_run += count
        return before

    def readings(self, run: int, within_run: int, times_ns: Sequence[int]) -> Sequence[int]:
        """That reading of a run of the task, and of the runs after it: one for each of the times. Cost: a quarter of a
        microsecond each, and half a microsecond for each wave."""
        step = self._in_a_run
        first = run * step + within_run
        places = range(first, first + step * len(times_ns), step)
        units = self._noisy.at(places)
        if self._walk:
            units = list(map(add, units, self._walk.at(places)))
        if self._waves:
            units = list(map(add, units, swings(self._waves, times_ns)))
        if self._least is not None:
            least = self._least
            units = [least if unit < least else unit for unit in units]
        if self._most is not None:
            most = self._most
            units = [most if unit > most else unit for unit in units]
        return units

    def _units(self, value: float) -> int:
        return in_units(self.value, value)

    def _walked(self, walk: Walk, seed: int, name: str, task: str) -> Blocks:
        """Where the walk is, by the number of the reading. It goes on from block to block; where each block of it
        begins is kept."""
        step, least, most = self._units(walk.step), self._units(walk.least), self._units(walk.most)
        steps = uniform(-step, step, seed, "walk", name, task)
        begins = [0]

        def block(number: int) -> list[int]:
            places: list[int] = []
            for walked in range(min(number, len(begins) - 1), number + 1):
                places = []
                at = begins[walked]
                for stepped in steps.at(range(walked * BLOCK_NUMBERS, (walked + 1) * BLOCK_NUMBERS)):
                    at += stepped
                    if not least <= at <= most:
                        at = least if at < least else most
                    places.append(at)
                if walked + 1 == len(begins):
                    begins.append(at)
            return places

        return Blocks(block)


def swings(waves: Sequence[tuple[int, int, int]], times_ns: Sequence[int]) -> list[int]:
    """The sum of waves, each an amplitude, a period and a phase in ns, at each of the times."""
    sums = [_ONE // 2] * len(times_ns)
    for amplitude, period_ns, phase_ns in waves:
        found = sines(_later(times_ns, phase_ns), period_ns)
        sums = [so_far + amplitude * part for so_far, part in zip(sums, found, strict=True)]
    return [so_far >> FRACTION_BITS for so_far in sums]


def _later(times_ns: Sequence[int], by_ns: int) -> Sequence[int]:
    if isinstance(times_ns, range):
        return range(times_ns.start + by_ns, times_ns.stop + by_ns, times_ns.step)
    return [at_ns + by_ns for at_ns in times_ns]


def point_set(units: int, decimals: int) -> str:
    """`units` of 10^-decimals each, written with the point: 5 and 2 give 0.05."""
    if not decimals:
        return str(units)
    sign = "-" if units < 0 else ""
    whole, fraction = divmod(abs(units), 10**decimals)
    return f"{sign}{whole}.{fraction:0{decimals}}"
