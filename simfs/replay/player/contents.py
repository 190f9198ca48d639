"""What operations write: text with readings in it, or bytes without meaning.

Contents have numbers: an operation that is repeated r times in each run of its task writes number n * r + k at
repetition k of run n, whether or not the store takes it. Number and moment alone tell what the bytes are. So those of
many runs are made at once, ahead of time or long after, and come out the same as one by one.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from hashlib import blake2b
from operator import add
from typing import NamedTuple, cast

from simfs.flash.rng import uniform
from simfs.replay.device.clock import moment as moment_of
from simfs.replay.player.sensor_values import Sensor, length_of, point_set
from simfs.replay.scenario.patterns import CLOCK, COUNT_FIELDS, Field, Moment, Pattern, filled

FIVE_DIGIT_YEARS_NS = moment_of(10_000)

_POOL_BYTES = 1 << 16
_TEXTS_KEPT = 1 << 14


class Series(NamedTuple):
    """The moments of one or more runs of a task, one run after the other; the times never fall."""

    times_ns: Sequence[int]
    runs: int  # of the task before the first one
    counter_every: int  # runs that share a counter
    boot: int
    repetition: int = 0  # which one of each run


class Drawn(NamedTuple):
    """The contents at each moment of a series, as far as they have to be known to be written: `made` gives the bytes of
    the first so many whenever it is asked, the same each time."""

    lengths: list[int]
    made: Callable[[int], list[bytes]]


class Contents(ABC):
    """The bytes that one operation writes. `now` tells the present moment, as a series of one."""

    def __init__(self, now: Callable[[], Series]) -> None:
        self._now = now

    def __call__(self) -> bytes:
        """The bytes at the present moment."""
        return self.many(self._now())[0]

    @abstractmethod
    def many(self, series: Series) -> list[bytes]:
        """The bytes at each moment of a series."""

    def drawn(self, series: Series) -> Drawn:
        """The same for a caller who may never ask for the bytes."""
        made = self.many(series)
        return Drawn(list(map(len, made)), lambda count: made[:count])

    @abstractmethod
    def length_at(self, moment: Moment) -> int | None:
        """The length at a moment, where that is known without making them. It never falls with the time."""


Column = Callable[[Series], Iterable[bytes | int]]
"""What goes into one place of a text, at each moment of a series."""


class Texts(Contents):
    """A pattern's text in UTF-8, with readings of `values` in it, from an operation that is repeated so often."""

    def __init__(self, pattern: Pattern, values: Mapping[str, Sensor], repeat: int, now: Callable[[], Series]) -> None:
        super().__init__(now)
        self._readings_length = _readings_length(pattern, values)
        self._besides = _without_readings(pattern, values)
        self._counts = not pattern.fields.isdisjoint(COUNT_FIELDS)
        self._length: int | None = None  # of what is besides the readings, while years have four digits
        pieces = [piece.replace("%", "%%") if isinstance(piece, str) else _spot(piece) for piece in pattern.pieces]
        self._template = "".join(pieces).encode()
        self._columns = list(_columns(pattern, values, repeat))
        self._are_readings = [field.name in values for field in pattern.places]

    def many(self, series: Series) -> list[bytes]:
        return self._written([column(series) for column in self._columns], len(series.times_ns))

    def _written(self, columns: list[Iterable[bytes | int]], count: int) -> list[bytes]:
        template = self._template
        if not columns:
            return [template % ()] * count
        return [template % row for row in zip(*columns, strict=True)]

    def drawn(self, series: Series) -> Drawn:
        besides = self._length_besides(_moment_in(series, 0))
        if besides != self._length_besides(_moment_in(series, len(series.times_ns) - 1)):
            return super().drawn(series)
        texts = {
            at: cast("list[bytes]", list(column(series)))
            for at, (column, is_reading) in enumerate(zip(self._columns, self._are_readings, strict=True))
            if is_reading
        }
        lengths = [besides] * len(series.times_ns)
        for of_one in texts.values():
            lengths = list(map(add, lengths, map(len, of_one)))

        def made(count: int) -> list[bytes]:
            part = series._replace(times_ns=series.times_ns[:count])
            columns = [texts[at][:count] if at in texts else column(part) for at, column in enumerate(self._columns)]
            return self._written(columns, count)

        return Drawn(lengths, made)

    def length_at(self, moment: Moment) -> int | None:
        return None if self._readings_length is None else self._length_besides(moment) + self._readings_length

    def _length_besides(self, moment: Moment) -> int:
        """How long all but the readings is. It never falls with the time."""
        if self._counts or moment.now_ns >= FIVE_DIGIT_YEARS_NS:
            return len(filled(self._besides, moment).encode())
        if self._length is None:
            self._length = len(filled(self._besides, moment).encode())
        return self._length


def _moment_in(series: Series, at: int) -> Moment:
    return Moment(series.times_ns[at], (series.runs + at) // series.counter_every, series.boot)


def _readings_length(pattern: Pattern, values: Mapping[str, Sensor]) -> int | None:
    """How long the readings in the text are together; None where that differs."""
    lengths = [length_of(values[field.name].value, field.width) for field in pattern.places if field.name in values]
    known = [length for length in lengths if length is not None]
    return sum(known) if len(known) == len(lengths) else None


def _without_readings(pattern: Pattern, values: Mapping[str, Sensor]) -> Pattern:
    """The pattern of clock and counters that is left."""
    kept = [piece for piece in pattern.pieces if not (isinstance(piece, Field) and piece.name in values)]
    return Pattern(pattern.text, tuple(kept))


def _spot(field: Field) -> str:
    """Where a field goes in the template."""
    return f"%0{field.width}d" if field.name in COUNT_FIELDS else "%b"


def _columns(pattern: Pattern, values: Mapping[str, Sensor], repeat: int) -> Iterable[Column]:
    """One for each place."""
    count = Counter(field.name for field in pattern.places if field.name in values)
    next_number = {name: values[name].reserve(of_it * repeat) for name, of_it in count.items()}
    for field in pattern.places:
        if field.name in values:
            yield _of_readings(field, values[field.name], next_number[field.name], count[field.name])
            next_number[field.name] += 1
        elif field.name == "boot":
            yield lambda series: [series.boot] * len(series.times_ns)
        elif field.name == "counter":
            yield _counters
        else:
            yield _of_clock(field)


def _of_readings(field: Field, sensor: Sensor, first: int, in_a_text: int) -> Column:
    @lru_cache(_TEXTS_KEPT)
    def text(units: int) -> bytes:
        return point_set(units, sensor.decimals).rjust(field.width).encode()

    def column(series: Series) -> Iterable[bytes]:
        return map(text, sensor.readings(series.runs, first + series.repetition * in_a_text, series.times_ns))

    return column


def _of_clock(field: Field) -> Column:
    tick_ns, cycle, text_of = CLOCK[field.name]

    @lru_cache(_TEXTS_KEPT)
    def text(tick: int) -> bytes:
        return text_of(tick).zfill(field.width).encode()

    def column(series: Series) -> Iterable[bytes]:
        times_ns = series.times_ns
        first = times_ns[0] // tick_ns
        if times_ns[-1] // tick_ns == first:
            return [text(first % cycle)] * len(times_ns)
        return [text(at_ns // tick_ns % cycle) for at_ns in times_ns]

    return column


def _counters(series: Series) -> Iterable[int]:
    every = series.counter_every
    return [run // every for run in range(series.runs, series.runs + len(series.times_ns))]


class Fillers(Contents):
    """Bytes without meaning, as many as `size_range` says, other ones each time.

    They are slices of one pool of hashes, since hashing every byte anew would cost more than writing it. `stream` tells
    the operation from the others.
    """

    def __init__(
        self, size_range: Sequence[int], repeat: int, now: Callable[[], Series], seed: int, *stream: str | int
    ) -> None:
        super().__init__(now)
        self._least, self._most = size_range
        self._repeat = repeat
        pool = _pool(seed)
        while len(pool) < self._most:
            pool += pool
        self._pool = pool
        self._sizes = uniform(self._least, self._most, seed, "size", *stream)
        self._starts = uniform(0, len(pool) - self._most, seed, "start", *stream)

    def many(self, series: Series) -> list[bytes]:
        repeat, pool = self._repeat, self._pool
        first = series.runs * repeat + series.repetition
        numbers = range(first, first + repeat * len(series.times_ns), repeat)
        places = zip(self._starts.at(numbers), self._sizes.at(numbers), strict=True)
        return [pool[start : start + size] for start, size in places]

    def length_at(self, moment: Moment) -> int | None:
        return self._least if self._least == self._most else None


def _pool(seed: int) -> bytes:
    key = seed.to_bytes(8, "little")
    return b"".join(blake2b(at.to_bytes(4, "little"), key=key).digest() for at in range(_POOL_BYTES // 64))
