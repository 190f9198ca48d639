"""The tables of a dump as text: what they say of sizes and times, then every field."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import fill

from tabulate import tabulate

from simfs.sfdp.decode import Header, Table, Tables
from simfs.sfdp.facts import Facts, Span
from simfs.sfdp.headers import access_name, revision_name
from simfs.sfdp.sector_map import SECTOR_MAP_ID, Map, parse_sector_map
from simfs.sfdp.words import code, size
from simfs.show import units

COLUMNS = ("dword", "bits", "field", "value", "meaning")
MEANING_LETTERS = 46
NOT_SAID = "not said"
DWORDS_A_LINE = 6


def as_text(source: str, tables: Tables, facts: Facts, contradictions: Sequence[str], remarks: Sequence[str]) -> str:
    """All that the tables say."""
    lines = [_heading(units.plain(source), tables.header), "", *_facts(facts)]
    for mark, found in (("!", contradictions), ("note:", remarks)):
        lines += ["", *(f"{mark} {line}" for line in found)] if found else []
    for table in tables.tables:
        lines += ["", _title(table), "", *_table(table)]
    return "\n".join(lines)


def _heading(source: str, header: Header | None) -> str:
    if header is None:
        return f"{source}: tables without a header"
    revision = revision_name(header.major, header.minor)
    count = units.counted(header.table_count, "table")
    return f"{source}: revision {revision}, {count}, access {code(header.access)}: {access_name(header.access)}"


def _facts(facts: Facts) -> Iterator[str]:
    rows = [("size", NOT_SAID if facts.size_bytes is None else units.size(facts.size_bytes), "")]
    for erase in facts.erase_types:
        what = f"opcode {code(erase.opcode)}, erase type {erase.number}"
        what += "" if erase.everywhere else ", some sectors only"
        rows.append((f"erase {units.size(erase.size_bytes)}", _span(erase.time), what))
    page = "" if facts.page_bytes is None else f"a page of {units.size(facts.page_bytes)}"
    rows.append(("page program", _span(facts.program), page))
    rows.append(("first byte, further byte", _pair(facts.first_byte, facts.next_byte), ""))
    rows.append(("chip erase", _span(facts.chip_erase), ""))
    yield from tabulate(rows, tablefmt="plain", disable_numparse=True).splitlines()
    yield ""
    yield "Times are typical, then maximum."


def _span(span: Span | None) -> str:
    return NOT_SAID if span is None else f"{units.time(span.typ_ns)}, {units.time(span.max_ns)}"


def _pair(first: Span | None, further: Span | None) -> str:
    return NOT_SAID if first is None or further is None else f"{_span(first)}; {_span(further)}"


def _title(table: Table) -> str:
    what = f"{table.name}: {table.title}, {units.counted(len(table.dwords), 'DWORD')}"
    if table.at is None or table.major is None or table.minor is None:
        return what
    return f"{what} from {table.at:X}h on, revision {table.major}.{table.minor}"


def _table(table: Table) -> Iterator[str]:
    readings = table.readings
    if not readings:
        yield from _dwords(table.dwords)
        return
    rows = [
        (
            one.dword,
            f"{one.field.high}:{one.field.low}" if one.field.high > one.field.low else str(one.field.low),
            one.field.title,
            f"{one.value:X}h",
            fill(one.meaning, MEANING_LETTERS),  # tabulate's own wrapping trips over a text such as "1,024"
        )
        for one in readings
    ]
    columns = ("right", "right", "left", "right", "left")
    yield from tabulate(
        rows, COLUMNS, tablefmt="simple", disable_numparse=True, colalign=columns
    ).splitlines()  # fmt: skip
    if table.table_id == SECTOR_MAP_ID:
        yield ""
        yield from _maps(parse_sector_map(table.dwords).maps)


def _dwords(dwords: Sequence[int]) -> Iterator[str]:
    """DWORDs whose fields are not known, with the number of the first in each line."""
    for at in range(0, len(dwords), DWORDS_A_LINE):
        yield f"{at + 1:5}  " + " ".join(f"{dword:08X}" for dword in dwords[at : at + DWORDS_A_LINE])


def _maps(maps: Sequence[Map]) -> Iterator[str]:
    """The regions of each map, with where they begin."""
    rows = []
    for one in maps:
        at = 0
        for region in one.regions:
            rows.append(
                (one.number, f"{at:X}h", size(region.size_bytes), ", ".join(map(str, region.erase_types)) or "none")
            )
            at += region.size_bytes
    yield from tabulate(
        rows, ("map", "from", "size", "erase types"), tablefmt="simple", disable_numparse=True,
        colalign=("right", "right", "right", "left"),
    ).splitlines()  # fmt: skip
