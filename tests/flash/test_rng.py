"""The generator: known answers from elsewhere, uniformity, independent streams."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from hashlib import shake_128
from itertools import pairwise
from math import sqrt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfs.flash.rng import BLOCK_NUMBERS, GAMMA, Blocks, Rng, first_numbers, mix64, stream_key, uniform

# SplitMix64 from seed 1234567, the five numbers that implementations in many languages print (from memory); the C
# form of the generator of Steele, Lea and Flood, compiled with gcc, prints the same, and the second row for seed 0.
SPLITMIX64 = {
    1234567: [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
        4593380528125082431,
        16408922859458223821,
    ],
    0: [16294208416658607535, 7960286522194355700, 487617019471545679, 17909611376780542444, 1961750202426094747],
}


@pytest.mark.parametrize(("start", "expected"), SPLITMIX64.items())
def test_known_answers_of_splitmix64(start: int, expected: list[int]) -> None:
    assert [mix64((start + i * GAMMA) % 2**64) for i in range(1, 6)] == expected


def test_key_is_blake2b_of_the_tagged_parts() -> None:
    # printf 'i\x01\x00\x00\x007s\x07\x00\x00\x00harbouri\x01\x00\x00\x003' | b2sum -l 64   (GNU coreutils)
    assert stream_key(7, "harbour", 3) == int.from_bytes(bytes.fromhex("1e239e8b995ca03a"), "little")
    # printf 'i\x01\x00\x00\x000' | b2sum -l 64
    assert stream_key(0) == int.from_bytes(bytes.fromhex("5f4e04849f839ce8"), "little")


def test_a_stream_is_splitmix64_from_its_key() -> None:
    # The C program above, started at the two keys that b2sum gave.
    rng = Rng(7, "harbour", 3)
    assert [rng.u64() for _ in range(3)] == [1958285645135902965, 14153624110757369599, 17961707895239753055]
    rng = Rng(0)
    assert [rng.u64() for _ in range(3)] == [9217929974281833511, 9015901439369424458, 449697009799229502]


def test_the_first_numbers_of_many_streams_are_those_of_each() -> None:
    assert first_numbers(7, "limit", 3) == [Rng(7, "limit", number).u64() for number in range(3)]
    assert first_numbers(2**40, "limit", 0) == []


def test_the_same_in_another_process_with_another_hash_seed() -> None:
    program = (
        "from simfs.flash.rng import Rng, uniform; r = Rng(5, 'a', 1); print([r.below(1000) for _ in range(20)]); "
        "print(uniform(-9, 9, 5, 'a', 1).at(range(20)))"
    )
    outputs = {
        subprocess.run(
            [sys.executable, "-c", program], env={"PYTHONHASHSEED": seed, "PYTHONPATH": ":".join(sys.path)},
            capture_output=True, text=True, check=True,
        ).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    rng = Rng(5, "a", 1)
    assert outputs == {f"{[rng.below(1000) for _ in range(20)]}\n{uniform(-9, 9, 5, 'a', 1).at(range(20))}\n"}


@pytest.mark.parametrize(
    "other", [(2, "ab", "c"), (1, "a", "bc"), (1, "abc"), (1, "ab", "c", 0), (1, "ab"), (1, "c", "ab"), (-1, "ab", "c")]
)
def test_streams_differ(other: tuple[Any, ...]) -> None:
    one, two = Rng(1, "ab", "c"), Rng(*other)
    assert not {one.u64() for _ in range(50)} & {two.u64() for _ in range(50)}


def test_a_number_and_its_text_name_different_streams() -> None:
    assert stream_key(1, 2) != stream_key(1, "2")


def _within_chi_square(observed: list[int]) -> bool:
    """Pearson's statistic for equal chances lies within 4 standard deviations of its mean (mean k-1, sd sqrt(2(k-1)):
    standard theory). Too even is as wrong as too uneven."""
    expected = sum(observed) / len(observed)
    statistic = sum((count - expected) ** 2 / expected for count in observed)
    freedom = len(observed) - 1
    return abs(statistic - freedom) < 4 * sqrt(2 * freedom)


@pytest.mark.parametrize("n", [2, 3, 10, 97, 256])
def test_below_is_uniform(n: int) -> None:
    rng = Rng(20310405, "below", n)
    seen = Counter(rng.below(n) for _ in range(100 * n + 10_000))
    assert _within_chi_square([seen[value] for value in range(n)])
    assert set(seen) == set(range(n))


def test_below_has_no_bias_where_a_remainder_would() -> None:
    # u64 % (3 * 2^62) would give the lowest third twice as often as each of the others.
    n = 3 << 62
    rng = Rng(1, "bias")
    seen = Counter(rng.below(n) >> 62 for _ in range(6000))
    assert _within_chi_square([seen[third] for third in range(3)])


def test_every_bit_of_u64_and_pairs_of_neighbours_are_even() -> None:
    rng = Rng(3, "bits")
    numbers = [rng.u64() for _ in range(8192)]
    for bit in range(64):
        ones = sum(number >> bit & 1 for number in numbers)
        assert abs(ones - 4096) < 4.5 * sqrt(8192) / 2, bit
    pairs = Counter((a >> 60, b >> 60) for a, b in pairwise(numbers))
    assert _within_chi_square([pairs[a, b] for a in range(16) for b in range(16)])


def test_unit_is_uniform_and_below_one() -> None:
    rng = Rng(4, "unit")
    values = [rng.unit() for _ in range(20_000)]
    assert min(values) >= 0
    assert max(values) < 1
    assert _within_chi_square([sum(k <= value * 50 < k + 1 for value in values) for k in range(50)])
    # A multiple of 2^-53 each, and the lowest bit is in use.
    assert {value * 2**53 % 2 for value in values} == {0, 1}


def test_below_at_its_bounds() -> None:
    rng = Rng(1)
    assert [rng.below(1) for _ in range(5)] == [0] * 5
    assert any(rng.below(1 << 64) >> 63 for _ in range(50))
    for n in (0, -1, (1 << 64) + 1):
        with pytest.raises(ValueError, match=str(n)):
            rng.below(n)


# The examples that NIST publishes with FIPS 202: SHAKE128 of no message and of 1600 bits, 200 bytes of A3h, the first
# 32 bytes of each. `openssl dgst -shake128 -xoflen 32` gives the same.
SHAKE128 = {
    b"": "7f9c2ba4e88f827d616045507605853ed73b8093f6efbc88eb1a6eacfa66ef26",
    b"\xa3" * 200: "131ab8d2b594946b9c81333f9bb6e0ce75c3b93104fa3469d3917457385da037",
}


@pytest.mark.parametrize(("message", "expected"), SHAKE128.items())
def test_known_answers_of_shake128(message: bytes, expected: str) -> None:
    assert shake_128(message).hexdigest(32) == expected


# printf 'i\x01\x00\x00\x007s\x07\x00\x00\x00harbouri\x01\x00\x00\x003i\x01\x00\x00\x000' |
# openssl dgst -shake128 -xoflen 32, and the same with 1 for the last 0: blocks 0 and 1 of the stream (7, "harbour", 3).
HARBOUR = {
    0: "554c067073e93eac4813659c5874fe629e0a4ddcb882b8874c9ceac97e6cd706",
    1: "e146ac2f8fb45463f60c0dc40613615aa87b2ef7ef5146b0e272121c28364bdd",
}


@pytest.mark.parametrize("count", [2, 100, 2**24, 2**24 + 1, 10**18, 2**88])
def test_a_uniform_stream_is_shake128_scaled(count: int) -> None:
    numbers = uniform(-5, count - 6, 7, "harbour", 3)
    for block, digest in HARBOUR.items():
        word_bytes = 8 if count <= 2**24 else 16
        raw = bytes.fromhex(digest)
        words = [int.from_bytes(raw[at : at + word_bytes], "little") for at in range(0, 32, word_bytes)]
        first = block * BLOCK_NUMBERS
        assert numbers.at(range(first, first + len(words))) == [word * count // 256**word_bytes - 5 for word in words]


@pytest.mark.parametrize("n", [1, 2, 3, 10, 97, 256])
def test_numbers_by_place_are_uniform(n: int) -> None:
    seen = Counter(uniform(-3, n - 4, 20310405, "uniform", n).at(range(100 * n + 10_000)))
    assert set(seen) == set(range(-3, n - 3))
    assert n == 1 or _within_chi_square([seen[value] for value in range(-3, n - 3)])


def test_more_integers_than_a_word_can_tell_apart_are_uniform() -> None:
    """With words of 64 bits every third of these integers would come twice as often as the others."""
    n = 3 << 62
    numbers = uniform(0, n - 1, 1, "wide").at(range(6000))
    for seen in (Counter(number >> 62 for number in numbers), Counter(number % 3 for number in numbers)):
        assert _within_chi_square([seen[third] for third in range(3)])


@pytest.mark.parametrize(
    "other", [(2, "ab", "c"), (1, "a", "bc"), (1, "abc"), (1, "ab", "c", 0), (1, "ab"), (1, "c", "ab"), (-1, "ab", "c")]
)
def test_numbers_of_two_streams_are_independent(other: tuple[Any, ...]) -> None:
    one, two = (uniform(0, 9, *key).at(range(10_000)) for key in ((1, "ab", "c"), other))
    pairs = Counter(zip(one, two, strict=True))
    assert _within_chi_square([pairs[a, b] for a in range(10) for b in range(10)])


@pytest.mark.parametrize("apart", [1, 2, BLOCK_NUMBERS - 1, BLOCK_NUMBERS])
def test_numbers_of_one_stream_are_independent(apart: int) -> None:
    numbers = uniform(0, 9, 5, "apart").at(range(20_000))
    pairs = Counter(zip(numbers, numbers[apart:], strict=False))
    assert _within_chi_square([pairs[a, b] for a in range(10) for b in range(10)])


@given(st.lists(st.builds(range, st.integers(0, 3000), st.integers(0, 3000), st.integers(1, 700)), max_size=8))
def test_a_number_depends_on_its_place_alone(asked: list[range]) -> None:
    all_of_them = uniform(0, 10**6, 3, "places").at(range(3000))
    numbers = uniform(0, 10**6, 3, "places")
    for places in asked:
        assert list(numbers.at(places)) == [all_of_them[place] for place in places]


def test_blocks_used_last_are_not_made_again() -> None:
    made: list[int] = []

    def make(number: int) -> list[int]:
        made.append(number)
        return list(range(number * BLOCK_NUMBERS, (number + 1) * BLOCK_NUMBERS))

    blocks = Blocks(make)
    for at in range(BLOCK_NUMBERS - 5, 3 * BLOCK_NUMBERS):
        assert blocks.at(range(at, at + 1)) == [at]
        assert blocks.at(range(at - 200, at + 9, 4)) == list(range(at - 200, at + 9, 4))
    assert made == [0, 1, 2, 3]


def test_too_few_and_too_many_integers_are_refused() -> None:
    for least, most in ((1, 0), (0, 2**88)):
        with pytest.raises(ValueError, match=f"not {most - least + 1}"):
            uniform(least, most, 1)
