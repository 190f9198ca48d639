"""The headers with which the tables begin: what is there, and where."""

from __future__ import annotations

from construct import Bytes, Int8ul, Int24ul, Struct

SIGNATURE = b"SFDP"
HEADER_BYTES = 8  # of the first one, and of each that names a table
MAJOR = 1
AREA_BYTES_MAX = 1 << 24  # a table's address has 24 bits

HEADER = Struct(
    "signature" / Bytes(4),
    "minor" / Int8ul,
    "major" / Int8ul,
    "more_tables" / Int8ul,  # beyond the first
    "access" / Int8ul,
)

TABLE_HEADER = Struct(
    "id_low" / Int8ul,
    "minor" / Int8ul,
    "major" / Int8ul,
    "dword_count" / Int8ul,
    "at" / Int24ul,  # in bytes
    "id_high" / Int8ul,
)

REVISIONS = {  # by the minor number of the header: the letter of JESD216, and how many DWORDs its basic table has
    0: ("JESD216", 9),
    5: ("JESD216A", 16),
    6: ("JESD216B", 16),
    7: ("JESD216C", 20),
    8: ("JESD216D", 20),
    9: ("JESD216E", 20),
    10: ("JESD216F", 23),
}
"""From memory: those of E and F."""

_ACCESS = {
    0xFF: "3 address bytes, 8 wait clocks, one line",
    0xFE: "xSPI profile 1, 4 address bytes, 8 wait clocks",
    0xFD: "xSPI profile 1, 4 address bytes, 20 wait clocks",
    0xFC: "xSPI profile 1, 3 address bytes, 8 wait clocks",
    0xFA: "xSPI profile 2",
}

_TABLES = {
    0xFF00: "basic flash parameters",
    0xFF81: "sector map",
    0xFF03: "replay-protected counters",
    0xFF84: "4-byte address instructions",
    0xFF05: "xSPI profile 1",
    0xFF06: "xSPI profile 2",
    0xFF87: "status and configuration register map",
    0xFF88: "the same, for several chips",
    0xFF09: "register map of xSPI profile 2",
    0xFF0A: "commands to change to 8D-8D-8D",
    0xFF8B: "long-latency media",
    0xFF0C: "quad reads with strobe",
    0xFF8D: "commands to change to 4S-4D-4D",
}


def revision_name(major: int, minor: int) -> str:
    """A header's revision, with the letter of JESD216 where it is a known one."""
    known = REVISIONS.get(minor) if major == MAJOR else None
    return f"{major}.{minor}" + (f" ({known[0]})" if known else "")


def access_name(access: int) -> str:
    """How the tables are read in the part's other modes."""
    if 0xF0 <= access <= 0xF7:
        return "a class of NAND flash"
    return _ACCESS.get(access, "reserved")


def table_name(table_id: int) -> str:
    """What a table is about."""
    if table_id in _TABLES:
        return _TABLES[table_id]
    return "a maker's own table" if table_id & 0xFF else "unknown"
