"""What a part's tables say that can't all be true, and what of them deserves a second look."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.sfdp.basic import BASIC_ID, ERASE_POWER_MAX, ERASE_TYPES, READS
from simfs.sfdp.decode import BASIC_DWORDS_MIN, Tables
from simfs.sfdp.facts import SMALL_BYTES, EraseType, Facts, facts_of
from simfs.sfdp.four_byte import EIGHT_LINES, FOUR_BYTE_ID, PROGRAMS
from simfs.sfdp.four_byte import READS as FOUR_BYTE_READS
from simfs.sfdp.headers import REVISIONS
from simfs.sfdp.sector_map import SECTOR_MAP_ID, SectorMap, parse_sector_map
from simfs.sfdp.words import NO_OPCODES, code, size

THREE_BYTES_REACH = 1 << 24
ERASES_OF_FOUR_BYTES = (0x21, 0x5C, 0xDC)
"""The usual erase opcodes that take four address bytes; from memory."""


def contradictions(tables: Tables) -> list[str]:
    """What can't all be true, a line each."""
    basic = tables.first(BASIC_ID)
    if basic is None or len(basic.dwords) < BASIC_DWORDS_MIN:
        return []
    values, facts = tables.values(BASIC_ID), facts_of(tables)
    found = [*_sizes(values, facts), *_erases(values, facts), *_opcodes(values)]
    four = tables.values(FOUR_BYTE_ID)
    if four:
        found += _four_byte(four, values)
    table = tables.first(SECTOR_MAP_ID)
    if table is not None:
        found += _sector_map(parse_sector_map(table.dwords), facts)
    return found


def remarks(tables: Tables) -> list[str]:
    """What is allowed and yet surprises, a line each."""
    return [*_lengths(tables), *_repeated(tables), *_surprises(tables)]


def _sizes(values: dict[str, int], facts: Facts) -> Iterator[str]:
    if facts.size_bytes is None:
        yield f"DWORD 2: {values['density']:08X}h is no size that a part can have"
        return
    if values["address_bytes"] == 0 and facts.size_bytes > THREE_BYTES_REACH:
        reach = size(THREE_BYTES_REACH)
        yield f"DWORD 1: 3 address bytes reach {reach}, and the part has {size(facts.size_bytes)} by DWORD 2"
    for erase in facts.erase_types:
        if facts.size_bytes % erase.size_bytes:
            yield f"{_named(erase)} does not divide the part's {size(facts.size_bytes)} (DWORD 2)"
    smallest = facts.erase_types[0] if facts.erase_types else None
    if smallest and facts.page_bytes and facts.page_bytes > smallest.size_bytes:
        yield f"DWORD 11: a page of {size(facts.page_bytes)} is larger than {_named(smallest)}"


def _named(erase: EraseType) -> str:
    return (
        f"erase type {erase.number} of {size(erase.size_bytes)} ({code(erase.opcode)}, DWORD {8 + (erase.number > 2)})"
    )


def _erases(values: dict[str, int], facts: Facts) -> Iterator[str]:
    for number in range(1, ERASE_TYPES + 1):
        power = values.get(f"erase_{number}_power", 0)
        if power > ERASE_POWER_MAX:
            yield f"DWORD {8 + (number > 2)}: erase type {number} would clear 2^{power} bytes"
    if not facts.erase_types:
        yield "DWORDs 8 and 9: there is no erase type"
    by_opcode: dict[int, EraseType] = {}
    for erase in facts.erase_types:
        if erase.opcode in NO_OPCODES:
            yield f"erase type {erase.number} of {size(erase.size_bytes)} has no opcode ({code(erase.opcode)})"
            continue
        other = by_opcode.setdefault(erase.opcode, erase)
        if other.size_bytes != erase.size_bytes:
            which = f"(erase types {other.number} and {erase.number})"
            yield f"opcode {code(erase.opcode)} erases {size(other.size_bytes)} and {size(erase.size_bytes)} {which}"
    small = [erase.opcode for erase in facts.erase_types if erase.size_bytes == SMALL_BYTES]
    if values["erase_4k"] == 1 and not small:
        yield "DWORD 1: 4 KiB can be erased everywhere, and no erase type has 4 KiB"
    if values["erase_4k"] == 1 and small and values["erase_4k_opcode"] not in small:
        yield f"DWORD 1: 4 KiB is erased by {code(values['erase_4k_opcode'])}, and by {code(small[0])} as an erase type"


def _opcodes(values: dict[str, int]) -> Iterator[str]:
    for lines, key in READS.items():
        opcode = values.get(f"{key}_opcode")
        if values.get(key) and opcode in NO_OPCODES:
            yield f"there is a {lines} read, and it has no opcode ({code(opcode or 0)})"
    if values.get("no_suspend") == 0:
        for what in ("suspend", "resume"):
            opcode = values.get(f"{what}_opcode")
            if opcode in NO_OPCODES:
                yield f"DWORD 12: {what} is supported, and it has no opcode ({code(opcode or 0)}) in DWORD 13"


def _four_byte(four: dict[str, int], values: dict[str, int]) -> Iterator[str]:
    for number in range(1, ERASE_TYPES + 1):
        if not four.get(f"erase_{number}"):
            continue
        if not values.get(f"erase_{number}_power"):
            yield f"table FF84h has an opcode for erase type {number}, which the basic table has not"
        elif four.get(f"erase_{number}_opcode") == 0xFF:
            yield f"table FF84h has erase type {number}, and no opcode for it (FFh)"


def _sector_map(found: SectorMap, facts: Facts) -> Iterator[str]:
    known = {erase.number for erase in facts.erase_types}
    numbers = [one.number for one in found.maps]
    for number in sorted({number for number in numbers if numbers.count(number) > 1}):
        yield f"table FF81h has {numbers.count(number)} maps of number {number}"
    for one in found.maps:
        if one.number >= 1 << found.commands:
            yield f"table FF81h: no answer to its {found.commands} commands gives map {one.number}"
        if facts.size_bytes is not None and one.size_bytes != facts.size_bytes:
            yield f"table FF81h: map {one.number} covers {size(one.size_bytes)} of the part's {size(facts.size_bytes)}"
        used = {number for region in one.regions for number in region.erase_types}
        for number in sorted(used - known):
            yield f"table FF81h: map {one.number} has erase type {number}, which the basic table has not"


def _lengths(tables: Tables) -> Iterator[str]:
    basic = tables.first(BASIC_ID)
    if basic is None or basic.minor is None:
        return
    known = REVISIONS.get(basic.minor)
    if known and known[1] != len(basic.dwords):
        told = f"the basic table calls itself revision {basic.major}.{basic.minor}, which has {known[1]} DWORDs"
        yield f"{told}, and has {len(basic.dwords)}; the length counts"


def _repeated(tables: Tables) -> Iterator[str]:
    numbers = [table.table_id for table in tables.tables]
    for number in sorted(set(numbers)):
        if numbers.count(number) > 1:
            yield f"table {number:04X}h is there {numbers.count(number)} times; the first counts"


def _surprises(tables: Tables) -> Iterator[str]:
    values, four, facts = tables.values(BASIC_ID), tables.values(FOUR_BYTE_ID), facts_of(tables)
    for erase in facts.erase_types:
        if not erase.everywhere:
            yield f"{_named(erase)} is for some sectors only"
    if values.get("quad_enable") == 7:
        yield "DWORD 15: quad enable 7 is reserved; look it up in the datasheet"
    if values and values["address_bytes"] != 2:
        for erase in facts.erase_types:
            if erase.opcode in ERASES_OF_FOUR_BYTES:
                yield f"{_named(erase)} has an opcode that takes 4 address bytes"
    if any(four.get(f"command_{bit}") for bit in EIGHT_LINES) and "read_1_1_8_opcode" not in values:
        yield "table FF84h has commands of eight lines, and the basic table has no DWORD 17: don't trust these"
    if four and not (
        _any(four, FOUR_BYTE_READS) and _any(four, PROGRAMS) and any(four[f"erase_{at}"] for at in (1, 2, 3, 4))
    ):
        yield "table FF84h lacks a read, a program or an erase: it is of no use by itself"


def _any(four: dict[str, int], commands: dict[int, tuple[str, int]]) -> bool:
    return any(four[f"command_{bit}"] for bit in commands)
