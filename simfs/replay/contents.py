"""What operations write: text with readings in it, or bytes without meaning."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from hashlib import blake2b

from simfs.flash import Rng
from simfs.replay.patterns import Moment, Pattern, filled

_POOL_BYTES = 1 << 16


def text_writer(pattern: Pattern, moment: Moment, values: Mapping[str, Callable[[], str]]) -> Callable[[], bytes]:
    """A function that gives the pattern's text at `moment`, in UTF-8."""
    if not pattern.fields:
        text = filled(pattern, moment).encode()
        return lambda: text
    return lambda: filled(pattern, moment, values).encode()


def filler(size_range: list[int], rng: Rng, seed: int) -> Callable[[], bytes]:
    """A function that gives bytes without meaning, as many as `size_range` says, other ones each time.

    They are slices of one pool of hashes, since drawing every byte anew would cost more than writing it.
    """
    least, most = size_range
    pool = _pool(seed)
    while len(pool) < most:
        pool += pool

    def fill() -> bytes:
        size = least if least == most else least + rng.below(most - least + 1)
        start = rng.below(len(pool) - size + 1)
        return pool[start : start + size]

    return fill


def _pool(seed: int) -> bytes:
    key = seed.to_bytes(8, "little")
    return b"".join(blake2b(at.to_bytes(4, "little"), key=key).digest() for at in range(_POOL_BYTES // 64))
