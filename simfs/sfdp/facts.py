"""What the tables say of a part's sizes and times, which is what a model of it needs."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.sfdp.basic import (
    BASIC_ID,
    BYTE_UNITS_NS,
    CHIP_UNITS_NS,
    ERASE_POWER_MAX,
    ERASE_TYPES,
    ERASE_UNITS_NS,
    PAGE_UNITS_NS,
    size_bytes_of,
)
from simfs.sfdp.decode import Tables
from simfs.sfdp.words import counted_ns, times_typical


@dataclass(frozen=True, slots=True)
class Span:
    """A time with both its ends, in ns."""

    typ_ns: int
    max_ns: int


@dataclass(frozen=True, slots=True)
class EraseType:
    """What one erase command clears, by which opcode, and how long that takes; None where the table has no times."""

    number: int
    size_bytes: int
    opcode: int
    time: Span | None


@dataclass(frozen=True, slots=True)
class Facts:
    """Sizes in bytes, times with both ends; None is not said. Erase types come with the smallest first. The longest
    time of a first and of a further byte is the program's multiple, and that of the whole chip the erase's."""

    size_bytes: int | None
    erase_types: tuple[EraseType, ...]
    page_bytes: int | None
    program: Span | None
    first_byte: Span | None
    next_byte: Span | None
    chip_erase: Span | None


def facts_of(tables: Tables) -> Facts:
    """The facts in the basic table."""
    values = tables.values(BASIC_ID)

    def span(key: str, multiplier: str, count_bits: int, units_ns: tuple[int, ...]) -> Span | None:
        if key not in values:
            return None
        typ_ns = counted_ns(values[key], count_bits, units_ns)
        return Span(typ_ns, typ_ns * times_typical(values[multiplier]))

    erases = []
    for number in range(1, ERASE_TYPES + 1):
        power = values.get(f"erase_{number}_power", 0)
        if 0 < power <= ERASE_POWER_MAX:
            time = span(f"erase_{number}_time", "erase_multiplier", 5, ERASE_UNITS_NS)
            erases.append(EraseType(number, 1 << power, values[f"erase_{number}_opcode"], time))
    return Facts(
        size_bytes=size_bytes_of(values["density"]) if "density" in values else None,
        erase_types=tuple(sorted(erases, key=lambda erase: (erase.size_bytes, erase.number))),
        page_bytes=1 << values["page_power"] if "page_power" in values else None,
        program=span("page_time", "program_multiplier", 5, PAGE_UNITS_NS),
        first_byte=span("first_byte_time", "program_multiplier", 4, BYTE_UNITS_NS),
        next_byte=span("next_byte_time", "program_multiplier", 4, BYTE_UNITS_NS),
        chip_erase=span("chip_time", "erase_multiplier", 5, CHIP_UNITS_NS),
    )
