"""Dumps of the tables as people have them: the bytes themselves, their digits, or the DWORDs of a datasheet.

Text is one of these, and `#` begins a comment:

    53464450 060102ff ...             bytes in their order, in pairs of digits; 0x, h and commas may stand around a pair
    30: e5 20 f1 ff ...               the same from an address on, in hexadecimal; what no line gives is FFh
    DW1: FFF120E5                     a table's DWORDs as numbers, in any order; `table FF84` begins another than FF00
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from simfs.sfdp.headers import AREA_BYTES_MAX, SIGNATURE

TEXT_BYTES_MAX = 4 << 20
FAULTS_MAX = 20
RIGHT = "write pairs of digits, such as e5 20, or a DWORD as DW1: FFF120E5"
DWORDS_MAX = 255

_TABLE = re.compile(r"table\s+(?:0x)?([0-9a-f]{4})h?\s*:?", re.IGNORECASE)
_DWORD = re.compile(r"(?:dw|dword)\s*([0-9]{1,3})\s*[:=]?\s*(?:0x)?([0-9a-f]{8})h?", re.IGNORECASE)
_ADDRESS = re.compile(r"\s*(?:0x)?([0-9a-f]{1,8})h?\s*:", re.IGNORECASE)
_BARE_ADDRESS = re.compile(r"([0-9a-f]{7,8})(?=\s+[0-9a-f]{2}\b)", re.IGNORECASE)  # as dump programs print it
_PAIR = re.compile(r"(?:0x)?([0-9a-f]{2})h?", re.IGNORECASE)
_DIGITS = re.compile(r"(?:[0-9a-f]{2})+", re.IGNORECASE)


@dataclass(slots=True)
class Dump:
    """Bytes from address 0 on, or else tables without headers; and what could not be read, each with its line."""

    area: bytes | None = None
    tables: dict[int, list[int]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)


def read_dump(raw: bytes) -> Dump:
    """The dump in a file's bytes."""
    text = None if raw.startswith(SIGNATURE) else _text(raw)
    if text is None:
        return Dump(area=raw[:AREA_BYTES_MAX])
    lines = [line.partition("#")[0].strip() for line in text.splitlines()]
    told = [(number, line) for number, line in enumerate(lines, 1) if line]
    if not told:
        return Dump(faults=["there is nothing in it; give the bytes that command 5Ah reads, or their digits"])
    if any(_TABLE.fullmatch(line) or line[:2].lower() == "dw" for _, line in told):
        return _typed(told)
    return _bytes(told)


def _text(raw: bytes) -> str | None:
    """The bytes as text; None where they are none."""
    if len(raw) > TEXT_BYTES_MAX:
        return None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None
    return text if all(sign.isprintable() or sign in "\t\r\n" for sign in text) else None


def _typed(lines: list[tuple[int, str]]) -> Dump:
    given: dict[int, dict[int, int]] = {}
    dump, table_id = Dump(), 0xFF00
    for number, line in lines:
        table, dword = _TABLE.fullmatch(line), _DWORD.fullmatch(line)
        if table:
            table_id = int(table[1], 16)
        elif not dword or not 1 <= int(dword[1]) <= DWORDS_MAX:
            dump.faults.append(f"line {number}: this is no DWORD; write one as DW1: FFF120E5")
        elif int(dword[1]) in given.setdefault(table_id, {}):
            dump.faults.append(f"line {number}: DWORD {int(dword[1])} of table {table_id:04X}h was given already")
        else:
            given[table_id][int(dword[1])] = int(dword[2], 16)
    for table_id, dwords in given.items():
        missing = [at for at in range(1, max(dwords) + 1) if at not in dwords]
        if missing:
            told = ", ".join(map(str, missing[:5])) + (", ..." if len(missing) > 5 else "")
            dump.faults.append(f"table {table_id:04X}h: DWORDs are missing: {told}")
        dump.tables[table_id] = [dwords[at] for at in sorted(dwords)]
    return _short(dump)


def _bytes(lines: list[tuple[int, str]]) -> Dump:
    area, given, at, dump = bytearray(), bytearray(), 0, Dump()
    for number, line in lines:
        address = _ADDRESS.match(line) or _BARE_ADDRESS.match(line)
        if address:
            at, line = int(address[1], 16), line[address.end() :]
        found, wrong = _line_bytes(line)
        end = at + len(found)
        if wrong:
            dump.faults.append(f'line {number}: "{wrong[:20]}" is no byte; {RIGHT}')
        elif end > AREA_BYTES_MAX:
            dump.faults.append(f"line {number}: {at:X}h is beyond what a table's address reaches, {AREA_BYTES_MAX:X}h")
        else:
            area.extend(b"\xff" * (end - len(area)))
            given.extend(bytes(max(0, end - len(given))))
            if any(given[at + i] and area[at + i] != byte for i, byte in enumerate(found)):
                dump.faults.append(f"line {number}: bytes from {at:X}h on were given already, and were others")
            area[at:end], given[at:end] = found, b"\1" * len(found)
            at = end
    dump.area = bytes(area)
    return _short(dump)


def _line_bytes(line: str) -> tuple[bytes, str]:
    """The bytes of a line, or the first word in it that is none. What dump programs print between bars is left out."""
    found = bytearray()
    for word in re.split(r"[\s,;]+", line.partition("|")[0].strip()):
        pair = _PAIR.fullmatch(word)
        if pair:
            found.append(int(pair[1], 16))
        elif _DIGITS.fullmatch(word):
            found += bytes.fromhex(word)
        elif word:
            return b"", word
    return bytes(found), ""


def _short(dump: Dump) -> Dump:
    """With no more faults than anybody reads."""
    more = len(dump.faults) - FAULTS_MAX
    if more > 0:
        dump.faults[FAULTS_MAX:] = [f"and {more} more such lines"]
    return dump
