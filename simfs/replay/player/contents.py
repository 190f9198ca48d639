"""What operations write: text with readings in it, or bytes without meaning.

Contents are called for what comes next. They also give it in two steps: what is random is drawn in its turn, and the
bytes are made from that when somebody needs them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from hashlib import blake2b
from typing import NamedTuple, Protocol

from simfs.flash.rng import Rng
from simfs.replay.device.clock import moment as moment_of
from simfs.replay.scenario.patterns import COUNT_FIELDS, Moment, Pattern, filled

FIVE_DIGIT_YEARS_NS = moment_of(10_000)

_POOL_BYTES = 1 << 16


class Series(NamedTuple):
    """Moments of a task's runs, one after the other."""

    times_ns: Sequence[int]
    runs: int  # of the task before the first one
    counter_every: int
    boot: int

    def moments(self) -> Iterator[tuple[int, int]]:
        """Each one's time and counter."""
        for run, now_ns in enumerate(self.times_ns, self.runs):
            yield now_ns, run // self.counter_every


class Contents(Protocol):
    """`drawn_ahead` holds what was drawn and not written yet: the next calls give it."""

    drawn_ahead: deque[bytes]

    def __call__(self) -> bytes:
        """The bytes of the next operation."""

    def next(self) -> bytes:
        """The same, but what was drawn ahead."""

    def length_at(self, moment: Moment) -> int | None:
        """The length at a moment, where that is known without drawing. It never falls with the time."""

    def later(self, series: Series) -> Callable[[], Sequence[bytes]]:
        """Draw now what each moment of the series draws; a function that makes the bytes."""


class Texts:
    """The pattern's text at `moment`, in UTF-8."""

    def __init__(self, pattern: Pattern, moment: Moment, values: Mapping[str, Callable[[], str]]) -> None:
        self._pattern, self._moment, self._values = pattern, moment, values
        self.drawn_ahead: deque[bytes] = deque()
        self._draws = any(name in values for name in pattern.fields)
        self._counts = bool(pattern.fields & set(COUNT_FIELDS))
        self._length: int | None = None  # while years have four digits
        self._constant = None if pattern.fields else filled(pattern, moment).encode()

    def __call__(self) -> bytes:
        if self.drawn_ahead:
            return self.drawn_ahead.popleft()
        return self.next()

    def next(self) -> bytes:
        """The text now."""
        if self._constant is not None:
            return self._constant
        return filled(self._pattern, self._moment, self._values).encode()

    def length_at(self, moment: Moment) -> int | None:
        if self._constant is not None:
            return len(self._constant)
        if self._draws:
            return None
        if self._counts or moment.now_ns >= FIVE_DIGIT_YEARS_NS:
            return len(filled(self._pattern, moment).encode())
        if self._length is None:
            self._length = len(filled(self._pattern, moment).encode())
        return self._length

    def later(self, series: Series) -> Callable[[], Sequence[bytes]]:
        """For a text without readings, which draws nothing."""
        return partial(self._made, series)

    def _made(self, series: Series) -> list[bytes]:
        if self._constant is not None:
            return [self._constant] * len(series.times_ns)
        moment = Moment()
        moment.boot = series.boot
        texts = []
        for moment.now_ns, moment.counter in series.moments():
            texts.append(filled(self._pattern, moment).encode())
        return texts


class Fillers:
    """Bytes without meaning, as many as `size_range` says, other ones each time.

    They are slices of one pool of hashes, since drawing every byte anew would cost more than writing it.
    """

    def __init__(self, size_range: list[int], rng: Rng, seed: int) -> None:
        self._least, self._most = size_range
        self._rng = rng
        self.drawn_ahead: deque[bytes] = deque()
        pool = _pool(seed)
        while len(pool) < self._most:
            pool += pool
        self._pool = pool

    def __call__(self) -> bytes:
        if self.drawn_ahead:
            return self.drawn_ahead.popleft()
        return self.next()

    def next(self) -> bytes:
        """The bytes drawn next."""
        least, most = self._least, self._most
        size = least if least == most else least + self._rng.below(most - least + 1)
        start = self._rng.below(len(self._pool) - size + 1)
        return self._pool[start : start + size]

    def length_at(self, moment: Moment) -> int | None:
        return self._least if self._least == self._most else None

    def later(self, series: Series) -> Callable[[], Sequence[bytes]]:
        """For bytes of one length."""
        below, pool, size = self._rng.below, self._pool, self._least
        places = len(pool) - size + 1
        starts = [below(places) for _ in series.times_ns]
        return lambda: [pool[start : start + size] for start in starts]


def _pool(seed: int) -> bytes:
    key = seed.to_bytes(8, "little")
    return b"".join(blake2b(at.to_bytes(4, "little"), key=key).digest() for at in range(_POOL_BYTES // 64))
