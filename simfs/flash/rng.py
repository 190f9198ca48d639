"""Everything random comes from here: the same seed gives the same numbers on every Python.

`Rng` gives one number after the other. Number i of a stream is mix64(key + (i + 1) * GAMMA): a counter through the
finaliser of SplitMix64. Published in
G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014; the multipliers are
D. Stafford's "Mix13". The key is the BLAKE2b hash (RFC 7693) of the seed and the stream's name, so streams of one seed
do not meet by design, only by a chance of 2^-64.

`uniform` gives numbers by their place in the stream, a block of them at a time, for those who need very many: the
hash function SHAKE128 (FIPS 202) of the seed, the stream's name and the number of the block.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import chain
from struct import Struct

GAMMA = 0x9E3779B97F4A7C15
BLOCK_NUMBERS = 256

_MASK = (1 << 64) - 1
_BLOCKS_KEPT = 4
_NARROW_MAX = 1 << 24
_WIDE_MAX = 1 << 88
_narrow, _wide = Struct(f"<{BLOCK_NUMBERS}Q"), Struct(f"<{2 * BLOCK_NUMBERS}Q")


def mix64(z: int) -> int:
    """A bijection of 64-bit words whose every output bit depends on every input bit."""
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    return z ^ (z >> 31)


def stream_key(seed: int, *stream: str | int) -> int:
    """64 bits that name a stream. Each part is hashed with its type and length, so ("ab", "c") is not ("a", "bc")."""
    from hashlib import blake2b  # here, since it takes a tenth of the time that importing simfs takes

    digest = blake2b(digest_size=8)
    for part in (seed, *stream):
        digest.update(_spelt(part))
    return int.from_bytes(digest.digest(), "little")


def first_numbers(seed: int, stream: str, count: int) -> list[int]:
    """`Rng(seed, stream, i).u64()` for each i below `count`. Cost: 1.3 microseconds each, a third of that."""
    from hashlib import blake2b

    common = blake2b(_spelt(seed) + _spelt(stream), digest_size=8)
    numbers = []
    for number in range(count):
        digest = common.copy()
        digest.update(_spelt(number))
        numbers.append(mix64((int.from_bytes(digest.digest(), "little") + GAMMA) & _MASK))
    return numbers


def _spelt(part: str | int) -> bytes:
    text = str(part).encode()
    return (b"s" if isinstance(part, str) else b"i") + len(text).to_bytes(4, "little") + text


class Rng:
    """Random numbers of one stream: `Rng(seed, "task", 3)`. Cost: about half a microsecond a number."""

    __slots__ = ("_state",)

    def __init__(self, seed: int, *stream: str | int) -> None:
        self._state = stream_key(seed, *stream)

    def u64(self) -> int:
        """An integer from 0 to 2^64 - 1."""
        self._state = state = (self._state + GAMMA) & _MASK
        return mix64(state)

    def below(self, n: int) -> int:
        """An integer from 0 to n - 1, each equally likely; n from 1 to 2^64, else ValueError."""
        if not 1 <= n <= 1 << 64:
            raise ValueError(f"n must be from 1 to 2^64, not {n}")
        shift = 64 - (n - 1).bit_length()
        while (value := self.u64() >> shift) >= n:
            pass
        return value

    def unit(self) -> float:
        """A float from 0 up to, but not, 1: 53 bits."""
        return (self.u64() >> 11) * 2.0**-53

    def random_bytes(self, count: int) -> bytes:
        """`count` bytes: SHAKE128 (FIPS 202) of the next number. Cost: about a microsecond, and 3 for each KiB."""
        from hashlib import shake_128

        return shake_128(self.u64().to_bytes(8, "little")).digest(count)


class Blocks:
    """An endless sequence of integers that is made a block of 256 at a time: `make` gives block number n, always the
    same. The blocks used last are kept, so that what lies near the last number is cheap to ask for, again and again."""

    def __init__(self, make: Callable[[int], Sequence[int]]) -> None:
        self._block = lru_cache(maxsize=_BLOCKS_KEPT)(make)

    def at(self, places: range) -> Sequence[int]:
        """The numbers at these places, which go up and are not negative."""
        if not places:
            return []
        first, last = places[0] // BLOCK_NUMBERS, places[-1] // BLOCK_NUMBERS
        if first == last:
            numbers = self._block(first)
        else:
            numbers = list(chain.from_iterable(map(self._block, range(first, last + 1))))
        begin = first * BLOCK_NUMBERS
        return numbers[places[0] - begin : places[-1] + 1 - begin : places.step]


class Scaled(Blocks):
    """The words that `make` gives, of `bits` each, scaled to `count` integers from `least` on: only those that are
    asked for, since many a block is made for a few of its words."""

    def __init__(self, make: Callable[[int], Sequence[int]], least: int, count: int, bits: int) -> None:
        super().__init__(make)
        self._least, self._count, self._bits = least, count, bits

    def at(self, places: range) -> Sequence[int]:
        least, count, bits = self._least, self._count, self._bits
        return [least + (word * count >> bits) for word in super().at(places)]


def uniform(least: int, most: int, seed: int, *stream: str | int) -> Blocks:
    """A stream of integers from `least` to `most`, all equally likely. Cost: about a tenth of a microsecond a number.

    A word of the hash, taken as a fraction of its whole range, times the count of integers tells which one it is. A
    word has 64 bits, or 128 for more than 2^24 integers: so the chance of each one is right to one part in 2^40.
    `ValueError` for less than one integer or more than 2^88.
    """
    from hashlib import shake_128

    count = most - least + 1
    if not 1 <= count <= _WIDE_MAX:
        raise ValueError(f"there must be 1 to 2^88 integers, not {count}")
    common = shake_128(b"".join(map(_spelt, (seed, *stream))))

    def words(number: int) -> Sequence[int]:
        message = common.copy()
        message.update(_spelt(number))
        if count <= _NARROW_MAX:
            return _narrow.unpack(message.digest(_narrow.size))
        halves = iter(_wide.unpack(message.digest(_wide.size)))
        return [low + (high << 64) for low, high in zip(halves, halves, strict=True)]

    if count == 1:
        return Blocks(lambda _: [least] * BLOCK_NUMBERS)
    return Scaled(words, least, count, 64 if count <= _NARROW_MAX else 128)
