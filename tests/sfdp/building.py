"""Tables built from values, with the declarations that decode them, and the dumps of real parts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from simfs.sfdp.decode import Tables, decode, typed
from simfs.sfdp.dump import Dump, read_dump
from simfs.sfdp.fields import Dword
from simfs.sfdp.headers import HEADER, HEADER_BYTES, TABLE_HEADER

DUMPS = Path(__file__).parent / "dumps"


def dump_of(part: str) -> Dump:
    found = read_dump((DUMPS / f"{part}.txt").read_bytes())
    assert found.faults == []
    return found


def area_of(part: str) -> bytearray:
    area = dump_of(part).area
    assert area is not None
    return bytearray(area)


def tables_of(part: str) -> Tables:
    dump = dump_of(part)
    return typed(dump.tables) if dump.area is None else decode(dump.area)


def dwords(layout: Sequence[Dword], values: Mapping[str, int]) -> list[int]:
    """DWORDs that have these fields, each found by its key."""
    return [
        declared.build({field.key: values[field.key] for field in declared.fields if field.key in values})
        for declared in layout
    ]


def area(tables: Mapping[int, Sequence[int]], minor: int = 6) -> bytes:
    """Headers, and the tables behind each other."""
    at = HEADER_BYTES * (len(tables) + 1)
    first = {"signature": b"SFDP", "minor": minor, "major": 1, "more_tables": len(tables) - 1, "access": 0xFF}
    headers, bodies = HEADER.build(first), b""
    for table_id, table in tables.items():
        body = b"".join(dword.to_bytes(4, "little") for dword in table)
        named = {"id_low": table_id & 0xFF, "id_high": table_id >> 8, "minor": minor, "major": 1}
        headers += TABLE_HEADER.build({**named, "dword_count": len(table), "at": at + len(bodies)})
        bodies += body
    return headers + bodies
