"""What the value of a field means, in words: exact, in the largest unit that gives a whole number."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

Words = Callable[[int], str]

RESERVED = "reserved"
NO_OPCODES = (0x00, 0xFF)  # what stands where there is none
_TIMES = ((10**9, "s"), (10**6, "ms"), (10**3, "us"))
_SIZES = ((1 << 30, "GiB"), (1 << 20, "MiB"), (1 << 10, "KiB"))


def time(time_ns: int) -> str:
    """A time such as 640 us."""
    for unit_ns, unit in _TIMES:
        if time_ns % unit_ns == 0:
            return f"{time_ns // unit_ns:,} {unit}"
    return f"{time_ns:,} ns"


def size(size_bytes: int) -> str:
    """A size such as 64 KiB."""
    for unit_bytes, unit in _SIZES:
        if size_bytes and size_bytes % unit_bytes == 0:
            return f"{size_bytes // unit_bytes:,} {unit}"
    return f"{size_bytes:,} bytes"


def code(number: int) -> str:
    """A byte as datasheets print it."""
    return f"{number:02X}h"


def opcode(number: int) -> str:
    """An opcode, or that there is none."""
    return f"none ({code(number)})" if number in NO_OPCODES else code(number)


def count(number: int) -> str:
    """A number as it is."""
    return f"{number:,}"


def flag(yes: str, no: str) -> Words:
    """Of one bit: what 1 and 0 mean."""
    return lambda bit: yes if bit else no


def one_of(meanings: Mapping[int, str]) -> Words:
    """Of a number that stands for one thing; what isn't named is reserved."""
    return lambda number: meanings.get(number, RESERVED)


def each_of(meanings: Mapping[int, str], none: str) -> Words:
    """Of bits that each stand for one thing; those that are not named are reserved."""

    def words(bits: int) -> str:
        given = [bit for bit in range(bits.bit_length()) if bits >> bit & 1]
        found = [meanings[bit] for bit in given if bit in meanings]
        others = ", ".join(str(bit) for bit in given if bit not in meanings)
        return "; ".join([*(found or [none]), *([f"{RESERVED}: {others}"] if others else [])])

    return words


def counted_ns(number: int, count_bits: int, units_ns: Sequence[int]) -> int:
    """The time that a count and its unit give: (count + 1) units, the unit's number above the count."""
    return ((number & (1 << count_bits) - 1) + 1) * units_ns[number >> count_bits]


def counted(count_bits: int, units_ns: Sequence[int]) -> Words:
    """The same in words."""
    return lambda number: time(counted_ns(number, count_bits, units_ns))


def times_typical(multiplier: int) -> int:
    """How many times the typical time the longest one is: 2(m + 1)."""
    return 2 * (multiplier + 1)
