"""Tables built from values are decoded into the same values; single fields mean what the standard says."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.sfdp.basic import BASIC, BASIC_ID
from simfs.sfdp.decode import decode
from simfs.sfdp.facts import Span, facts_of
from simfs.sfdp.fields import Dword, Field
from simfs.sfdp.four_byte import FOUR_BYTE, FOUR_BYTE_ID
from simfs.sfdp.sector_map import ADDRESS, COMMAND, MAP, REGION, SECTOR_MAP_ID, parse_sector_map
from tests.sfdp.building import area, dwords

MS, S = 10**6, 10**9
DWORDS_OF = {"": 9, "A": 16, "B": 16, "C": 20, "D": 20, "E": 20, "F": 23}


def values(layout: tuple[Dword, ...]) -> st.SearchStrategy[dict[str, int]]:
    fields = {field.key: field for declared in layout for field in declared.fields}
    return st.fixed_dictionaries({key: st.integers(0, (1 << one.width_bits) - 1) for key, one in fields.items()})


@settings(max_examples=25, deadline=None, derandomize=True)
@given(basic=values(BASIC[:20]), four=values(FOUR_BYTE), revision=st.sampled_from(sorted(DWORDS_OF)))
def test_what_is_built_is_what_is_decoded(basic: dict[str, int], four: dict[str, int], revision: str) -> None:
    length = DWORDS_OF[revision]
    built = {BASIC_ID: dwords(BASIC, basic)[:length], FOUR_BYTE_ID: dwords(FOUR_BYTE, four)}
    tables = decode(area(built))
    assert tables.faults == ()
    expected = {field.key: basic.get(field.key, 0) for declared in BASIC[:length] for field in declared.fields}
    assert tables.values(BASIC_ID) == expected
    assert tables.values(FOUR_BYTE_ID) == four


regions = st.lists(st.tuples(st.integers(0, (1 << 24) - 1), st.integers(0, 15)), min_size=1, max_size=6)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(commands=st.lists(values((COMMAND, ADDRESS)), max_size=4), maps=st.lists(regions, min_size=1, max_size=4))
def test_a_sector_map_is_decoded_as_it_was_built(
    commands: list[dict[str, int]], maps: list[list[tuple[int, int]]]
) -> None:
    built: list[int] = []
    for at, command in enumerate(commands, 1):
        built += dwords((COMMAND, ADDRESS), {**command, "is_map": 0, "last": int(at == len(commands))})
    for number, regions in enumerate(maps):
        last = int(number == len(maps) - 1)
        built.append(MAP.build({"last": last, "is_map": 1, "number": number, "regions_less_1": len(regions) - 1}))
        built += [REGION.build({"units_less_1": units, "erase_types": types}) for units, types in regions]
    found = parse_sector_map(built)
    assert (found.fault, found.commands, [one.number for one in found.maps]) == ("", len(commands), [*range(len(maps))])
    for one, regions in zip(found.maps, maps, strict=True):
        assert [region.size_bytes for region in one.regions] == [(units + 1) * 256 for units, _ in regions]
        assert [sum(1 << number - 1 for number in region.erase_types) for region in one.regions] == [
            types for _, types in regions
        ]


@pytest.mark.parametrize("declared", [*BASIC, *FOUR_BYTE, COMMAND, MAP, REGION], ids=lambda one: one.fields[0].key)
def test_fields_are_where_their_bits_are(declared: Dword) -> None:
    for field in declared.fields:
        full = (1 << field.width_bits) - 1
        assert declared.parse(full << field.low) == {one.key: full * (one is field) for one in declared.fields}


def test_no_two_fields_have_one_key_or_share_a_bit() -> None:
    keys = [field.key for declared in BASIC for field in declared.fields if field.key != "dword"]
    assert len(keys) == len(set(keys))
    for fields in ((Field("a", 3, 0, ""), Field("b", 5, 3, "")), (Field("a", 0, 3, ""),)):
        with pytest.raises(ValueError, match="no bits of its own"):
            Dword(*fields)


@pytest.mark.parametrize(
    ("number", "dword", "key", "meaning"),
    [
        (10, 0x0001798B, "erase_multiplier", "the longest time is 24 times the typical"),
        (10, 0x0001798B, "erase_1_time", "25 ms"),
        (10, 0x0001798B, "erase_2_time", "256 ms"),
        (10, 0xFFFE1C32, "erase_multiplier", "the longest time is 6 times the typical"),
        (10, 0xFFFE1C32, "erase_1_time", "512 ms"),
        (10, 0xFFFE1C32, "erase_2_time", "512 ms"),
        (10, 0x00A94262, "erase_1_time", "112 ms"),  # IS25LP128F, whose datasheet says 100, 140, 170 ms
        (10, 0x00A94262, "erase_2_time", "144 ms"),
        (10, 0x00A94262, "erase_3_time", "176 ms"),
        (2, 0x7FFFFFFF, "density", "256 MiB"),
        (2, 0x80000020, "density", "512 MiB"),  # 2^32 bits
        (2, 0x80000040, "density", "no size that a part can have"),
        (2, 0x00000004, "density", "no size that a part can have"),
        (1, 0x00000010, "protect_enable", "06h"),
        (1, 0x00000000, "protect_enable", "50h"),
        (12, 0x80000000, "no_suspend", "not supported"),
        (14, 0x80000000, "no_power_down", "not supported"),
        (12, 0xF << 4, "in_erase_suspend", "no erase in the suspended sector; no program in the suspended sector; "
            "no read there; nothing else to heed"),
        (12, 0x0, "in_program_suspend", "no erase anywhere; no program anywhere; reads there: see the datasheet; "
            "more limits: see the datasheet"),
        (16, 0x08, "status_writes", "both, 06h for lasting and 50h for volatile"),
        (16, 0x00, "status_writes", "read-only"),
    ],
)  # fmt: skip
def test_a_field_means_what_the_standard_says(number: int, dword: int, key: str, meaning: str) -> None:
    declared = BASIC[number - 1]
    field = next(field for field in declared.fields if field.key == key)
    assert field.words(declared.parse(dword)[key]) == meaning


def test_times_with_other_units() -> None:
    basic = {"erase_1_power": 12, "erase_1_time": 0b11_00001, "erase_multiplier": 0, "page_power": 8,
             "density": 0xFFFFF, "page_time": 0b1_11111, "program_multiplier": 15, "chip_time": 0b11_11111}  # fmt: skip
    found = facts_of(decode(area({BASIC_ID: dwords(BASIC[:16], basic)})))
    assert found.erase_types[0].time == Span(2 * S, 4 * S)
    assert found.program == Span(2_048_000, 2_048_000 * 32)
    assert found.chip_erase == Span(2048 * S, 4096 * S)
    assert found.size_bytes == 131_072


def test_the_layouts_follow_each_other_as_in_the_standard() -> None:
    firsts = [declared.fields[0].key for declared in BASIC]
    assert (len(BASIC), firsts[0], firsts[7], firsts[9]) == (23, "erase_4k", "erase_1_power", "erase_multiplier")
    assert firsts[14:20] == ["disable_4_4_4", "status_writes", "read_1_8_8_waits", "drive_strengths", "disable_8s",
                             "clock_4s_4s_4s_without_strobe"]  # fmt: skip
    assert SECTOR_MAP_ID != FOUR_BYTE_ID
    for declared in BASIC:
        assert all(one.high < other.low for one, other in pairwise(declared.fields))
