"""The ways in which people have a dump, and what is said of one that can't be read."""

from __future__ import annotations

import pytest

from simfs.sfdp.dump import FAULTS_MAX, RIGHT, read_dump
from tests.sfdp.building import area_of, dump_of

AREA = bytes(area_of("AT25QL128A"))


def lines(form: str, width: int = 16) -> str:
    """The area in lines: `{at}` is the address, `{pairs}` the bytes."""
    pieces = [(at, AREA[at : at + width]) for at in range(0, len(AREA), width)]
    return "\n".join(
        form.format(at=at, pairs=raw.hex(" "), run=raw.hex(), c=", ".join(map(hex2, raw))) for at, raw in pieces
    )


def hex2(byte: int) -> str:
    return f"0x{byte:02X}"


@pytest.mark.parametrize(
    "text",
    [
        AREA.hex(),
        AREA.hex(" ").upper(),
        "# read with 5Ah\n" + lines("{run}  # so far") + "\n",
        lines("{c},"),
        lines("{at:08x}: {pairs}"),
        lines("{at:08x}  {pairs}  |SFDP............|"),
        lines("{at:X}h: {pairs}").replace("\n", "\r\n"),
        lines("0x{at:x}: 0x{run}", width=1),
        "\ufeff" + lines("{run}  # 8 µs"),
        "\n".join(reversed(lines("{at:x}: {pairs}").splitlines())),
    ],
    ids=[
        "digits",
        "pairs",
        "comments",
        "array",
        "dump",
        "bare-addresses",
        "h-and-CRLF",
        "a-byte-a-line",
        "other-letters",
        "any-order",
    ],
)
def test_all_forms_of_text_give_the_same_bytes(text: str) -> None:
    found = read_dump(text.encode())
    assert (found.faults, found.area) == ([], AREA)


def test_the_bytes_themselves_are_taken_as_they_are() -> None:
    assert read_dump(AREA).area == AREA
    assert read_dump(b"\0" + AREA).area == b"\0" + AREA


def test_what_no_line_gives_is_ff() -> None:
    found = read_dump(b"0: 53464450\n8: 00 01")
    assert found.area == b"SFDP\xff\xff\xff\xff\0\1"


def test_dwords_may_be_typed_in_any_order_and_for_several_tables() -> None:
    found = read_dump(b"DWORD 2 = 0x0FFFFFFF\ndw1 FFF120E5h # reads\ntable 0xFF84:\nDW1: 00000041\nDW2: FFFFFF21\n")
    assert (found.faults, found.tables) == ([], {0xFF00: [0xFFF120E5, 0x0FFFFFFF], 0xFF84: [0x41, 0xFFFFFF21]})
    assert found.area is None
    assert dump_of("IS25WP256").tables[0xFF00][10] == 0xCE11D882


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("", ["there is nothing in it; give the bytes that command 5Ah reads, or their digits"]),
        ("# nothing\n\n", ["there is nothing in it; give the bytes that command 5Ah reads, or their digits"]),
        ("53 46 4\n12 xy", ['line 1: "4" is no byte; ' + RIGHT,
                            'line 2: "xy" is no byte; ' + RIGHT]),
        ("0xFFF120E5", ['line 1: "0xFFF120E5" is no byte; ' + RIGHT]),
        ("0: 53 46\n1: 47", ["line 2: bytes from 1h on were given already, and were others"]),
        ("0: 53 46\n1: 46", []),
        ("1000000: 00", ["line 1: 1000000h is beyond what a table's address reaches, 1000000h"]),
        ("DW1: FFF120E5\nDW1: FFF120E5", ["line 2: DWORD 1 of table FF00h was given already"]),
        ("DW1: FFF120E", ["line 1: this is no DWORD; write one as DW1: FFF120E5"]),
        ("DW0: FFF120E5", ["line 1: this is no DWORD; write one as DW1: FFF120E5"]),
        ("table FF81\nDW2: 0\nDW3: 00000000", ["line 2: this is no DWORD; write one as DW1: FFF120E5",
                                               "table FF81h: DWORDs are missing: 1, 2"]),
    ],
)  # fmt: skip
def test_what_can_not_be_read_is_told_with_its_line(text: str, faults: list[str]) -> None:
    assert read_dump(text.encode()).faults == faults


def test_no_more_faults_are_told_than_anybody_reads() -> None:
    faults = read_dump(b"no\n" * 1000).faults
    assert len(faults) == FAULTS_MAX + 1
    assert faults[-1] == f"and {1000 - FAULTS_MAX} more such lines"
