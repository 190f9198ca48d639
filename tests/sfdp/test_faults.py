"""Every fault and contradiction is told, all at once, with its place."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simfs.sfdp.basic import BASIC, BASIC_ID
from simfs.sfdp.contradictions import contradictions, remarks
from simfs.sfdp.decode import decode, typed
from simfs.sfdp.facts import facts_of
from simfs.sfdp.four_byte import FOUR_BYTE, FOUR_BYTE_ID
from simfs.sfdp.sector_map import MAP, REGION, SECTOR_MAP_ID
from tests.sfdp.building import area, area_of, dwords, tables_of

SOUND = tables_of("AT25QL128A").values(BASIC_ID)
FOUR = {"command_0": 1, "command_6": 1, "erase_1": 1, "erase_1_opcode": 0x21} | {
    f"erase_{number}_opcode": 0xFF for number in (2, 3, 4)
}


Change = Callable[[bytearray], bytearray]


def with_bytes(at: int, raw: str) -> Change:
    def changed(area: bytearray) -> bytearray:
        new = bytes.fromhex(raw)
        return area[:at] + new + area[at + len(new) :]

    return changed


SIGNED = 'they are "SFDP" (53 46 44 50) in every such table'
MORE = "; read more of the part"
NO_BASIC = "there is no basic table (FF00h), which every part has"


@pytest.mark.parametrize(
    ("change", "faults"),
    [
        (lambda area: area[:15], ["it ends after 15 bytes, and the first two headers alone have 16" + MORE]),
        (with_bytes(0, "53 46 44 51"), [f"at 0h: the first four bytes are 53 46 44 51; {SIGNED}"]),
        (with_bytes(5, "02"), ["at 5h: the major revision is 2; only 1 is known"]),
        (with_bytes(0x0C, "00 01"), ["at 8h: table FF00h goes from 100h to 140h, and the dump ends at 88h" + MORE,
            NO_BASIC]),
        (with_bytes(0x0C, "31"), ["at 8h: table FF00h begins at 31h, which is no multiple of 4", NO_BASIC]),
        (with_bytes(0x0C, "10"), ["at 8h: table FF00h begins at 10h, within the headers, which go to 18h", NO_BASIC]),
        (with_bytes(0x0B, "00"), ["at 8h: table FF00h has a length of 0 DWORDs", NO_BASIC]),
        (with_bytes(0x0B, "08"), ["table FF00h has 8 DWORDs; it has at least 9 in every revision"]),
        (with_bytes(0x0F, "01"), [NO_BASIC]),
        (with_bytes(0x14, "40"), ["table FF00h goes to 70h, and table 011Fh begins at 40h, within it"]),
        (lambda area: area[:0x84], ["at 10h: table 011Fh goes from 80h to 88h, and the dump ends at 84h" + MORE]),
        (lambda area: with_bytes(6, "03")(area)[:0x20], [
            "at 8h: table FF00h goes from 30h to 70h, and the dump ends at 20h" + MORE,
            "at 10h: table 011Fh goes from 80h to 88h, and the dump ends at 20h" + MORE,
            "at 18h: table FFFFh begins at FFFFFFh, which is no multiple of 4",
            "at 20h: the dump ends within the headers, which go to 28h for 4 tables" + MORE,
            NO_BASIC,
        ]),
    ],
)  # fmt: skip
def test_what_keeps_a_dump_from_being_read_whole(change: Change, faults: list[str]) -> None:
    assert list(decode(bytes(change(area_of("AT25QL128A")))).faults) == faults


def test_all_faults_are_told_at_once() -> None:
    broken = with_bytes(0x14, "81 00 01")(with_bytes(0x0B, "07")(area_of("AT25QL128A")))
    assert len(decode(bytes(broken)).faults) == 2


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({}, ""),
        ({"density": 0x8000_0040}, "DWORD 2: 80000040h is no size that a part can have"),
        ({"density": 0x0FFFFFFF}, "DWORD 1: 3 address bytes reach 16 MiB, and the part has 32 MiB by DWORD 2"),
        (
            {"density": 0x07FFFFFF - 0x8000},
            "erase type 2 of 32 KiB (52h, DWORD 8) does not divide the part's 16,380 KiB",
        ),
        ({"page_power": 13}, "DWORD 11: a page of 8 KiB is larger than erase type 1 of 4 KiB (20h, DWORD 8)"),
        ({"erase_4_power": 41, "erase_4_opcode": 0x81}, "DWORD 9: erase type 4 would clear 2^41 bytes"),
        ({f"erase_{number}_power": 0 for number in (1, 2, 3)}, "DWORDs 8 and 9: there is no erase type"),
        ({"erase_2_opcode": 0xFF}, "erase type 2 of 32 KiB has no opcode (FFh)"),
        ({"erase_2_opcode": 0x20}, "opcode 20h erases 4 KiB and 32 KiB (erase types 1 and 2)"),
        ({"erase_1_power": 13}, "DWORD 1: 4 KiB can be erased everywhere, and no erase type has 4 KiB"),
        ({"erase_4k_opcode": 0x21}, "DWORD 1: 4 KiB is erased by 21h, and by 20h as an erase type"),
        ({"read_1_1_2_opcode": 0}, "there is a 1-1-2 read, and it has no opcode (00h)"),
        ({"suspend_opcode": 0xFF}, "DWORD 12: suspend is supported, and it has no opcode (FFh) in DWORD 13"),
    ],
    ids=lambda one: "-".join(one) if isinstance(one, dict) else None,
)
def test_contradictions_in_the_basic_table(change: dict[str, int], told: str) -> None:
    found = contradictions(decode(area({BASIC_ID: dwords(BASIC[:16], SOUND | change)})))
    assert (told in " / ".join(found)) if told else not found


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({}, ""),
        ({"erase_4": 1}, "table FF84h has an opcode for erase type 4, which the basic table has not"),
        ({"erase_1_opcode": 0xFF}, "table FF84h has erase type 1, and no opcode for it (FFh)"),
    ],
)  # fmt: skip
def test_contradictions_with_the_commands_of_four_address_bytes(change: dict[str, int], told: str) -> None:
    built = {BASIC_ID: dwords(BASIC[:16], SOUND), FOUR_BYTE_ID: dwords(FOUR_BYTE, FOUR | change)}
    assert contradictions(decode(area(built))) == ([told] if told else [])


def one_map(number: int, units: int, types: int, last: int = 1) -> list[int]:
    return [
        MAP.build({"last": last, "is_map": 1, "number": number}),
        REGION.build({"units_less_1": units - 1, "erase_types": types}),
    ]


@pytest.mark.parametrize(
    ("table", "told"),
    [
        (one_map(0, 65_536, 0b111), ""),
        (one_map(0, 65_535, 0b111), "table FF81h: map 0 covers 16,383.75 KiB of the part's 16 MiB"),
        (one_map(0, 65_536, 0b1001), "table FF81h: map 0 has erase type 4, which the basic table has not"),
        (one_map(1, 65_536, 1), "table FF81h: no answer to its 0 commands gives map 1"),
        (one_map(0, 65_536, 1, last=0) + one_map(0, 65_536, 2), "table FF81h has 2 maps of number 0"),
    ],
)
def test_contradictions_with_the_sector_map(table: list[int], told: str) -> None:
    found = contradictions(decode(area({BASIC_ID: dwords(BASIC[:16], SOUND), SECTOR_MAP_ID: table})))
    assert found == ([told.replace("16,383.75 KiB", "16,776,960 bytes")] if told else [])


@pytest.mark.parametrize(
    ("table", "fault"),
    [
        (one_map(0, 1, 1, last=0), "no map is marked as the last one"),
        (one_map(0, 1, 1)[:1], "DWORD 1 begins a map of 2 DWORDs, and the table ends with 1"),
        ([0xFC], "DWORD 1 begins a command of 2 DWORDs, and the table ends with 1"),
    ],
)
def test_a_sector_map_that_ends_early(table: list[int], fault: str) -> None:
    tables = typed({BASIC_ID: dwords(BASIC[:9], SOUND), SECTOR_MAP_ID: table})
    assert tables.faults == (f"table FF81h: {fault}",)


def test_an_erase_type_of_some_regions_is_not_everywhere() -> None:
    regions = [REGION.build({"units_less_1": 32_767, "erase_types": types}) for types in (0b101, 0b100)]
    table = [MAP.build({"last": 1, "is_map": 1, "regions_less_1": 1}), *regions]
    found = facts_of(typed({BASIC_ID: dwords(BASIC[:16], SOUND), SECTOR_MAP_ID: table}))
    assert [(erase.number, erase.everywhere) for erase in found.erase_types] == [(1, False), (2, False), (3, True)]


def test_a_short_table_of_commands() -> None:
    tables = typed({BASIC_ID: dwords(BASIC[:9], SOUND), FOUR_BYTE_ID: [0x41]})
    assert tables.faults == ("table FF84h: it has one DWORD, and 2 in every revision",)
    assert remarks(tables)


@pytest.mark.parametrize(
    ("tables", "told"),
    [
        (
            {BASIC_ID: dwords(BASIC[:20], SOUND)},
            "calls itself revision 1.6, which has 16 DWORDs, and has 20; the length",
        ),
        ({BASIC_ID: dwords(BASIC[:16], SOUND | {"quad_enable": 7})}, "quad enable 7 is reserved"),
        ({BASIC_ID: dwords(BASIC[:16], SOUND | {"erase_4k": 3})}, "4 KiB (20h, DWORD 8) is for some sectors only"),
        ({BASIC_ID: dwords(BASIC[:16], SOUND | {"erase_1_opcode": 0x21})}, "has an opcode that takes 4 address bytes"),
        (
            {BASIC_ID: dwords(BASIC[:16], SOUND), FOUR_BYTE_ID: dwords(FOUR_BYTE, FOUR | {"command_6": 0})},
            "table FF84h lacks a read, a program or an erase",
        ),
        (
            {BASIC_ID: dwords(BASIC[:16], SOUND), FOUR_BYTE_ID: dwords(FOUR_BYTE, FOUR | {"command_20": 1})},
            "commands of eight lines, and the basic table has no DWORD 17",
        ),
    ],
)
def test_what_is_allowed_and_surprises(tables: dict[int, list[int]], told: str) -> None:
    (found,) = remarks(decode(area(tables)))
    assert told in found


def test_a_table_that_is_there_twice() -> None:
    twice = area_of("AT25QL128A")
    twice[0x10:0x14], twice[0x17:0x18] = twice[0x08:0x0C], twice[0x0F:0x10]
    twice[0x14:0x17] = bytes.fromhex("700000")
    twice += twice[0x30:0x70]
    found = decode(bytes(twice))
    assert (found.faults, remarks(found)) == ((), ["table FF00h is there 2 times; the first counts"])
