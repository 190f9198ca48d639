"""What the tables say of a part's sizes and times, which is what a model of it needs."""

from __future__ import annotations

from collections.abc import Sequence
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
from simfs.sfdp.sector_map import SECTOR_MAP_ID, Map, parse_sector_map
from simfs.sfdp.words import counted_ns, times_typical

SMALL_BYTES = 4096


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
    everywhere: bool  # False: some parts of the flash have it and others not


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


def _is_everywhere(number: int, size_bytes: int, erase_4k: int, maps: Sequence[Map]) -> bool:
    """Whether the whole flash has this erase type, in one of the ways in which the part may be set up at least."""
    if maps:
        return any(all(number in region.erase_types for region in one.regions) for one in maps)
    return size_bytes != SMALL_BYTES or erase_4k == 1


def facts_of(tables: Tables) -> Facts:
    """The facts in the basic table."""
    values, table = tables.values(BASIC_ID), tables.first(SECTOR_MAP_ID)
    maps = parse_sector_map(table.dwords).maps if table else ()

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
            everywhere = _is_everywhere(number, 1 << power, values["erase_4k"], maps)
            erases.append(EraseType(number, 1 << power, values[f"erase_{number}_opcode"], time, everywhere))
    return Facts(
        size_bytes=size_bytes_of(values["density"]) if "density" in values else None,
        erase_types=tuple(sorted(erases, key=lambda erase: (erase.size_bytes, erase.number))),
        page_bytes=1 << values["page_power"] if "page_power" in values else None,
        program=span("page_time", "program_multiplier", 5, PAGE_UNITS_NS),
        first_byte=span("first_byte_time", "program_multiplier", 4, BYTE_UNITS_NS),
        next_byte=span("next_byte_time", "program_multiplier", 4, BYTE_UNITS_NS),
        chip_erase=span("chip_time", "erase_multiplier", 5, CHIP_UNITS_NS),
    )
