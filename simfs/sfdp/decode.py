"""From bytes to tables: headers, every table's DWORDs, and what each field means."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from operator import itemgetter

from simfs.sfdp.basic import BASIC, BASIC_ID
from simfs.sfdp.fields import DWORD_BYTES, Reading, readings
from simfs.sfdp.four_byte import FOUR_BYTE, FOUR_BYTE_ID
from simfs.sfdp.headers import HEADER, HEADER_BYTES, MAJOR, SIGNATURE, TABLE_HEADER, table_name
from simfs.sfdp.sector_map import SECTOR_MAP_ID, parse_sector_map

BASIC_DWORDS_MIN = 9


@dataclass(frozen=True, slots=True)
class Header:
    """The first header: the revision, how many tables follow, and how they are read."""

    major: int
    minor: int
    table_count: int
    access: int


@dataclass(frozen=True, slots=True)
class Table:
    """One table. `at` is its address in bytes, and None of a table that was typed in by itself; so is its revision."""

    table_id: int
    dwords: tuple[int, ...]
    major: int | None = None
    minor: int | None = None
    at: int | None = None

    @property
    def title(self) -> str:
        return table_name(self.table_id)

    @property
    def readings(self) -> list[Reading]:
        """Every field; none of a table whose layout is not known here."""
        return _LAYOUTS[self.table_id](self.dwords) if self.table_id in _LAYOUTS else []

    @property
    def name(self) -> str:
        """As faults call it."""
        return f"table {self.table_id:04X}h"


@dataclass(frozen=True, slots=True)
class Tables:
    """What a part says of itself. `faults` are what keeps it from being read whole, a line each."""

    header: Header | None
    tables: tuple[Table, ...]
    faults: tuple[str, ...]

    def first(self, table_id: int) -> Table | None:
        """The first table of this number."""
        return next((table for table in self.tables if table.table_id == table_id), None)

    def values(self, table_id: int) -> dict[str, int]:
        """The fields of that table by their keys, as far as it goes."""
        table = self.first(table_id)
        return {one.field.key: one.value for one in table.readings} if table else {}


def _basic(found: list[Reading]) -> list[Reading]:
    """The readings of a basic table; a time that is left over of an erase type that is absent means nothing."""
    absent = {
        one.field.key.replace("power", "time") for one in found if one.field.key.endswith("power") and not one.value
    }
    return [replace(one, meaning="the type is absent") if one.field.key in absent else one for one in found]


_LAYOUTS: dict[int, Callable[[Sequence[int]], list[Reading]]] = {
    BASIC_ID: lambda dwords: _basic(readings(BASIC, dwords)),
    FOUR_BYTE_ID: lambda dwords: readings(FOUR_BYTE, dwords),
    SECTOR_MAP_ID: lambda dwords: list(parse_sector_map(dwords).readings),
}


def decode(area: bytes) -> Tables:
    """The tables in the bytes that command 5Ah reads, from address 0 on."""
    if len(area) < 2 * HEADER_BYTES:
        told = f"it ends after {len(area)} bytes, and the first two headers alone have {2 * HEADER_BYTES}"
        return Tables(None, (), (f"{told}; read more of the part",))
    raw = HEADER.parse(area)
    if raw.signature != SIGNATURE:
        right = f'they are "SFDP" ({SIGNATURE.hex(" ")}) in every such table'
        return Tables(None, (), (f"at 0h: the first four bytes are {raw.signature.hex(' ')}; {right}",))
    header = Header(raw.major, raw.minor, raw.more_tables + 1, raw.access)
    if header.major != MAJOR:
        return Tables(header, (), (f"at 5h: the major revision is {header.major}; only {MAJOR} is known",))
    tables, faults = _tables(area, header.table_count)
    return Tables(header, tuple(tables), (*faults, *_between(tables)))


def typed(tables: Mapping[int, Sequence[int]]) -> Tables:
    """Tables without headers, by their numbers."""
    found = [Table(table_id, tuple(dwords)) for table_id, dwords in tables.items()]
    return Tables(None, tuple(found), tuple(_between(found)))


def _tables(area: bytes, count: int) -> tuple[list[Table], list[str]]:
    """Those tables that are in the area, and what is wrong with the others."""
    found, faults = [], []
    for number in range(1, count + 1):
        at = HEADER_BYTES * number
        if at + HEADER_BYTES > len(area):
            told = f"the dump ends within the headers, which go to {HEADER_BYTES * (count + 1):X}h for {count} tables"
            faults.append(f"at {at:X}h: {told}; read more of the part")
            break
        raw = TABLE_HEADER.parse(area[at : at + HEADER_BYTES])
        table_id, end = raw.id_high << 8 | raw.id_low, raw.at + raw.dword_count * DWORD_BYTES
        fault = _fault(raw.at, end, len(area), HEADER_BYTES * (count + 1))
        if fault:
            faults.append(f"at {at:X}h: table {table_id:04X}h {fault}")
        else:
            found.append(Table(table_id, _dwords(area[raw.at : end]), raw.major, raw.minor, raw.at))
    return found, faults


def _fault(at: int, end: int, area_bytes: int, headers_end: int) -> str:
    """Why there can be no table at this place; empty if there can."""
    if at == end:
        return "has a length of 0 DWORDs"
    if at % DWORD_BYTES:
        return f"begins at {at:X}h, which is no multiple of {DWORD_BYTES}"
    if at < headers_end:
        return f"begins at {at:X}h, within the headers, which go to {headers_end:X}h"
    if end > area_bytes:
        return f"goes from {at:X}h to {end:X}h, and the dump ends at {area_bytes:X}h; read more of the part"
    return ""


def _dwords(raw: bytes) -> tuple[int, ...]:
    return tuple(int.from_bytes(raw[at : at + DWORD_BYTES], "little") for at in range(0, len(raw), DWORD_BYTES))


def _between(tables: Sequence[Table]) -> Iterable[str]:
    """What is wrong with tables that are there."""
    basic = next((table for table in tables if table.table_id == BASIC_ID), None)
    if basic is None:
        yield f"there is no basic table ({BASIC_ID:04X}h), which every part has"
    elif len(basic.dwords) < BASIC_DWORDS_MIN:
        yield f"{basic.name} has {len(basic.dwords)} DWORDs; it has at least {BASIC_DWORDS_MIN} in every revision"
    placed = sorted(((table.at, table) for table in tables if table.at is not None), key=itemgetter(0))
    for (before, one), (at, other) in pairwise(placed):
        end = before + len(one.dwords) * DWORD_BYTES
        if at < end:
            yield f"{one.name} goes to {end:X}h, and {other.name} begins at {at:X}h, within it"
    for table in tables:
        fault = parse_sector_map(table.dwords).fault if table.table_id == SECTOR_MAP_ID else ""
        if table.table_id == FOUR_BYTE_ID and len(table.dwords) < len(FOUR_BYTE):
            fault = f"it has one DWORD, and {len(FOUR_BYTE)} in every revision"
        if fault:
            yield f"{table.name}: {fault}"
