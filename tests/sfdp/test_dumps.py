"""Real dumps: their bytes are those that were published, and they say what was worked out from them by hand.

The worked-out values stand in the tables below as (size, then as typical and longest time of each erase and of a page).
"""

from __future__ import annotations

import hashlib

import pytest

from simfs.sfdp.basic import BASIC_ID
from simfs.sfdp.contradictions import contradictions, remarks
from simfs.sfdp.facts import Span, facts_of
from simfs.sfdp.four_byte import FOUR_BYTE_ID
from simfs.sfdp.sector_map import SECTOR_MAP_ID, parse_sector_map
from tests.sfdp.building import area_of, tables_of

KIB, MIB = 1 << 10, 1 << 20
US, MS, S = 10**3, 10**6, 10**9

DIGESTS = {  # md5, or the beginning of sha256
    "AT25QL128A": "23e3ec56b5b8f986d0488ba4727239dd",
    "BH25Q128AS": "e2e374124e998c9c430a5a4c368ded374186637f48301dcb3943b81af2987995",
    "GD25LB512ME": "859eb314b0500aa3e3dc5a1ad514f1013387c7aaa40147ed2d616ffc4b6d851c",
    "MX25L3233F": "22d5d34af77c3628300056a0fc4bfbeafa027f544998852cf27f7cebf7881196",
    "MX66UW1G345G": "dd3ef0a8d22ee81fc5bccdcb67dee6ca",
    "S25FS256T": "13ecce2f195c4c71648e90d4a7e4a0df",
    "S28HS02GT": "6193b9729008b80b9a2b4bb3ce06a91d",
}

SIZES = {  # of the part, then erase types as (size, opcode)
    "AT25QL128A": (16 * MIB, [(4 * KIB, 0x20), (32 * KIB, 0x52), (64 * KIB, 0xD8)]),
    "BH25Q128AS": (16 * MIB, [(4 * KIB, 0x20), (32 * KIB, 0x52), (64 * KIB, 0xD8)]),
    "GD25LB512ME": (64 * MIB, [(4 * KIB, 0x20), (32 * KIB, 0x52), (64 * KIB, 0xD8)]),
    "IS25WP256": (32 * MIB, [(4 * KIB, 0x20), (32 * KIB, 0x52), (64 * KIB, 0xD8)]),
    "MX25L3233F": (4 * MIB, [(4 * KIB, 0x20), (32 * KIB, 0x52), (64 * KIB, 0xD8)]),
    "MX66UW1G345G": (128 * MIB, [(4 * KIB, 0x20), (64 * KIB, 0xD8)]),
    "P25D40SH": (512 * KIB, [(256, 0x81), (4 * KIB, 0x20), (32 * KIB, 0x52), (64 * KIB, 0xD8)]),
    "S25FS256T": (32 * MIB, [(64 * KIB, 0xD8), (128 * KIB, 0xD8)]),
    "S28HS02GT": (256 * MIB, [(4 * KIB, 0x21), (256 * KIB, 0xDC)]),
}

TIMES = {  # erases, how many times longer at most; page, its time, how many times; chip
    "AT25QL128A": ([64 * MS, 208 * MS, 352 * MS], 8, 256, 640 * US, 10, 60 * S),
    "GD25LB512ME": ([30 * MS, 112 * MS, 208 * MS], 12, 256, 184 * US, 8, 100 * S),
    "IS25WP256": ([48 * MS, 160 * MS, 304 * MS], 8, 256, 200 * US, 6, 60 * S),
    "MX66UW1G345G": ([25 * MS, 256 * MS], 24, 256, 152 * US, 32, 192 * S),
    "S25FS256T": ([512 * MS, 512 * MS], 6, 128, 640 * US, 4, 128 * S),
    "S28HS02GT": ([48 * MS, 768 * MS], 8, 256, 512 * US, 6, 832 * S),
}


@pytest.mark.parametrize("part", DIGESTS)
def test_the_bytes_are_those_that_were_published(part: str) -> None:
    digest = hashlib.md5 if len(DIGESTS[part]) == 32 else hashlib.sha256
    assert digest(area_of(part)).hexdigest() == DIGESTS[part]


@pytest.mark.parametrize("part", SIZES)
def test_every_dump_is_read_whole_and_has_its_sizes(part: str) -> None:
    tables = tables_of(part)
    facts = facts_of(tables)
    assert tables.faults == ()
    assert (facts.size_bytes, [(erase.size_bytes, erase.opcode) for erase in facts.erase_types]) == SIZES[part]


@pytest.mark.parametrize("part", SIZES)
def test_times_have_both_ends_or_are_not_said(part: str) -> None:
    facts = facts_of(tables_of(part))
    if part not in TIMES:
        assert [facts.page_bytes, facts.program, facts.chip_erase] == [None] * 3
        assert {erase.time for erase in facts.erase_types} == {None}
        return
    erases, longer, page_bytes, program, program_longer, chip = TIMES[part]
    assert [erase.time for erase in facts.erase_types] == [Span(typ, typ * longer) for typ in erases]
    assert (facts.page_bytes, facts.program) == (page_bytes, Span(program, program * program_longer))
    assert facts.chip_erase == Span(chip, chip * longer)


FIELDS = {
    "GD25LB512ME": {
        "read_1_4_4_opcode": "EBh", "read_1_4_4_waits": "4", "read_1_4_4_modes": "2", "read_1_1_4_opcode": "6Bh",
        "read_1_1_4_waits": "8", "read_4_4_4_opcode": "EBh", "address_bytes": "3 or 4", "dtr": "yes",
        "suspend_opcode": "75h", "resume_opcode": "7Ah", "erase_latency": "20 us", "erase_interval": "64 us",
        "power_down_opcode": "B9h", "power_up_opcode": "ABh", "power_up_delay": "30 us", "quad_enable": "reserved",
        "first_byte_time": "32 us", "next_byte_time": "3 us",
    },
    "S25FS256T": {
        "erase_4k": "not everywhere", "quad_enable": "bit 1 of status register 2, two-byte write by 01h, read by 35h",
        "erase_latency": "64 us", "erase_interval": "128 us", "power_down_opcode": "B9h", "power_up_delay": "448 us",
        "power_up_opcode": "none (00h)", "enter_4_byte": "B7h; opcodes of its own; reserved: 7",
        "first_byte_time": "128 us", "next_byte_time": "128 us",
    },
    "MX66UW1G345G": {
        "suspend_opcode": "B0h", "resume_opcode": "30h", "erase_latency": "56 us", "program_latency": "25 us",
        "read_1_1_8_opcode": "7Ch", "read_1_1_8_waits": "20", "opcode_extension": "the opcode inverted",
        "clock_8s_8s_8s_without_strobe": "200 MHz", "clock_8d_8d_8d_with_strobe": "200 MHz",
        "clock_4s_4s_4s_with_strobe": "not said",
    },
    "P25D40SH": {
        "read_1_4_4_opcode": "EBh", "read_1_4_4_waits": "4", "read_1_4_4_modes": "2", "read_4_4_4_opcode": "EBh",
        "read_1_2_2_opcode": "BBh", "read_1_2_2_waits": "0", "read_1_2_2_modes": "4",
    },
    "MX25L3233F": {"read_1_1_2_opcode": "3Bh", "read_1_1_2_waits": "8", "read_1_2_2_opcode": "BBh",
                   "read_1_2_2_waits": "4", "read_1_2_2_modes": "0", "program_buffer": "64 bytes or more"},
    "S28HS02GT": {"reset": "66h, then 99h", "suspend_opcode": "B0h", "erase_latency": "80 us",
                  "octal_enable": "no bit to set"},
}  # fmt: skip


@pytest.mark.parametrize("part", FIELDS)
def test_fields_mean_what_was_worked_out(part: str) -> None:
    basic = tables_of(part).first(BASIC_ID)
    assert basic is not None
    found = {one.field.key: one.meaning for one in basic.readings}
    assert {key: found[key] for key in FIELDS[part]} == FIELDS[part]


@pytest.mark.parametrize(
    ("part", "opcodes"),
    [
        ("S25FS256T", ["13h", "6Ch", "ECh", "12h", "DCh", "DCh"]),
        ("MX66UW1G345G", ["13h", "0Ch", "12h", "E0h", "E1h", "E2h", "E3h", "7Ch", "21h", "DCh"]),
        ("GD25LB512ME", ["13h", "0Ch", "6Ch", "ECh", "12h", "34h", "3Eh", "EEh", "21h", "5Ch", "DCh"]),
    ],
)
def test_the_commands_of_four_address_bytes(part: str, opcodes: list[str]) -> None:
    table = tables_of(part).first(FOUR_BYTE_ID)
    assert table is not None
    assert [opcode for opcode in opcodes if opcode not in {one.meaning for one in table.readings}] == []
    commands = [one.meaning for one in table.readings if one.field.key.startswith("command")]
    beyond_four_lines = {"7Ch", "CCh", "FDh", "84h", "8Eh"} if part == "GD25LB512ME" else set()
    assert set(commands) - {"no"} - set(opcodes) == beyond_four_lines


def test_the_sector_map_of_two_dies() -> None:
    table = tables_of("S28HS02GT").first(SECTOR_MAP_ID)
    assert table is not None
    assert table.at == 0x204
    found = parse_sector_map(table.dwords)
    edge, uniform = (128 * KIB, (1,)), (128 * KIB, (4,))
    regions = {one.number: [(region.size_bytes, region.erase_types) for region in one.regions] for one in found.maps}
    assert found.commands == 4
    assert regions == {
        2: [edge, uniform, (261_888 * KIB, (4,))],
        9: [(261_888 * KIB, (4,)), uniform, edge],
        1: [edge, uniform, (261_632 * KIB, (4,)), uniform, edge],
        10: [(256 * MIB, (4,))],
    }
    assert {one.size_bytes for one in found.maps} == {256 * MIB}


def test_real_parts_contradict_themselves_only_where_they_are_known_to() -> None:
    assert {part: told for part in SIZES if (told := contradictions(tables_of(part)))} == {
        "IS25WP256": ["DWORD 1: 3 address bytes reach 16 MiB, and the part has 32 MiB by DWORD 2"],
        "S25FS256T": ["opcode D8h erases 64 KiB and 128 KiB (erase types 2 and 1)"],
    }
    assert [part for part in SIZES if remarks(tables_of(part))] == ["GD25LB512ME", "S25FS256T", "S28HS02GT"]
