"""The regions of a chip: where they lie, everything that is wrong with them at once, and what is left."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from simfs.flash.parts import GENERIC
from simfs.replay.scenario.chip_map import regions_of
from simfs.replay.scenario.input_faults import BadScenario
from simfs.replay.scenario.load import load_scenario, parse_scenario
from simfs.replay.scenario.regions.placing import erased_every_ns, place
from simfs.replay.scenario.regions.room import Stretch, free_stretches, largest_store, store_of_size
from simfs.replay.scenario.regions.tables import Region, Releases
from simfs.replay.scenario.tables import DeviceOnly, Scenario

CHIP = '[chip]\nsize = "1 MiB"\n'  # 256 erase blocks of 4 KiB
RUN = '[run]\nduration = "1 d"\n[[task]]\nname = "log"\nevery = "1 h"\noperations = [{ do = "list" }]\n'
KIB = 1024
DAY_NS = 86_400 * 10**9


def region(name: str, holds: str, **keys: object) -> str:
    lines = [f'[[region]]\nname = "{name}"\nholds = "{holds}"']
    return "\n".join(
        lines + [f"{key} = {value if isinstance(value, int) else repr(value)}" for key, value in keys.items()]
    )


def read(tmp_path: Path, *parts: str) -> Scenario:
    path = tmp_path / "chip.toml"
    path.write_text("\n".join([CHIP, *parts]))
    return load_scenario(path, DeviceOnly)


def faults(tmp_path: Path, *parts: str) -> dict[str, str]:
    """What is wrong, by its place, but for a store that the chip lacks; two faults of one place are joined."""
    with pytest.raises(BadScenario) as caught:
        read(tmp_path, *parts)
    found: dict[str, str] = {}
    for fault in caught.value.faults:
        if "no region holds the store" in fault.what and 'holds = "store"' not in "".join(parts):
            continue  # most of these chips are about something else
        assert ";" in fault.what, f"no word of what would be right: {fault}"
        found[fault.path] = " AND ".join([*([found[fault.path]] if fault.path in found else []), fault.what])
    return found


def spans(scenario: Scenario) -> list[tuple[int, int]]:
    return [(one.start_bytes // KIB, one.end_bytes // KIB) for one in regions_of(scenario)]


def test_a_region_lies_behind_the_one_before_where_its_align_allows(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        region("program", "program", size="20 KiB"),
        region("settings", "parameters", size="8 KiB"),
        region("update", "update", size="20 KiB", align="32 KiB"),
        region("files", "store"),
        region("last", "spare", start="0xf0000"),
    )
    assert spans(found) == [(0, 20), (20, 28), (32, 52), (52, 960), (960, 1024)]
    assert (found.store.start, found.store.size) == (52 * KIB, 908 * KIB)


def test_every_fault_is_told_at_once_each_with_what_would_be_right(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        region("a", "spare", start="0x800", size="6 KiB", align="5 KiB"),
        region("b", "spare", start="0x11000", size="8 KiB", align="64 KiB"),
        region("c", "spare", start="0x12000", size="8 KiB"),
        region("d", "parameters", start="0x20000", size="12 KiB", turns=2, rewritten_every="1 h"),
        region("b", "spare", start="0xff000", size="8 KiB"),
        region("e", "spare", size="4 KiB"),
        region("f", "wing", size="4 KiB"),
        region("g", "spare", size="4 KiB", used="2 KiB"),
    )
    assert {place: what.rpartition("; ")[2] for place, what in found.items()} == {
        "region[0].start": "write 0x2000",
        "region[0].size": "write 8 KiB",
        "region[0].align": "write 8 KiB",
        "region[1].start": "write 0x20000",
        "region[2].start": "write 0x13000 or more, or make that one smaller",
        "region[3].turns": "write size = 16 KiB, or other turns",
        "region[4].name": "give each region a name of its own",
        "region[4].size": "4 KiB is left there, write at most that",
        "region[5].start": "write less, or make the regions before it smaller",
        "region[6].holds": found["region[6].holds"].rpartition("; ")[2],
        "region[7]": "leave it out",
    }


def test_a_line_leads_to_the_region_even_where_the_key_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(BadScenario) as caught:
        read(tmp_path, region("a", "store"), region("b", "spare", size="4 KiB"))
    (fault,) = caught.value.faults
    assert (fault.line, fault.path) == (7, "region[1].start")


@pytest.mark.parametrize(
    ("planned", "used_kib", "size_kib", "wanted"),
    [(0, 101, 100, "104 KiB"), (3, 80, 100, "104 KiB"), (2, 80, 100, ""), (3, 76, 100, ""), (100, 76, 100, "876 KiB")],
)
def test_program_and_update_hold_the_program_after_all_releases(
    tmp_path: Path, planned: int, used_kib: int, size_kib: int, wanted: str
) -> None:
    parts = [
        f"[releases]\nplanned = {planned}" if planned else "",
        region(
            "main", "program", size=f"{size_kib} KiB", used=f"{used_kib} KiB",
            **({"grows_per_release": "8 KiB"} if planned else {}),
        ),
        region("next", "update", size=f"{size_kib} KiB"),
    ]  # fmt: skip
    if not wanted:
        assert spans(read(tmp_path, *parts, region("files", "store"))) == [(0, 100), (100, 200), (200, 1024)]
        return
    found = faults(tmp_path, *parts)
    assert found.keys() == {"region[0].size", "region[1].size"}
    assert all(what.endswith(f"write at least {wanted}") for what in found.values())


def test_a_program_of_unknown_size_fills_its_region_and_so_must_its_update(tmp_path: Path) -> None:
    found = faults(tmp_path, region("main", "program", size="64 KiB"), region("next", "update", size="60 KiB"))
    assert "write at least 64 KiB" in found["region[1].size"]


def test_of_several_programs_an_update_names_its_own(tmp_path: Path) -> None:
    programs = [region("first", "program", size="16 KiB"), region("main", "program", size="64 KiB")]
    assert (
        'write of = one of "first", "main"'
        in faults(tmp_path, *programs, region("next", "update", size="64 KiB"))["region[2]"]
    )
    wrong = faults(tmp_path, *programs, region("next", "update", size="64 KiB", of="man"))
    assert 'there is no program named "man"; known here are "first", "main"' in wrong["region[2].of"]
    assert "no program" in faults(tmp_path, region("next", "update", size="64 KiB"))["region[0].holds"]
    right = [region("next", "update", size="16 KiB", of="first"), region("files", "store")]
    assert len(read(tmp_path, *programs, *right).region) == 4


def test_growth_says_nothing_without_releases_or_a_size_to_grow_from(tmp_path: Path) -> None:
    grown = region("main", "program", size="64 KiB", used="8 KiB", grows_per_release="1 KiB")
    assert "write a table [releases]" in faults(tmp_path, grown)["region[0].grows_per_release"]
    assert (
        "write used" in faults(tmp_path, region("m", "program", size="64 KiB", grows_per_release="1 KiB"))["region[0]"]
    )


def test_a_store_that_shares_an_erase_block_hears_with_whom(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        region("settings", "parameters", size="6 KiB"),
        region("files", "store", start="0x1800", size="65 KiB"),
        region("left", "spare", start="0x11c00", size="4 KiB"),
    )
    assert 'shares the one at 0x1000 with "settings"' in found["region[1].start"]
    assert found["region[1].start"].endswith("write 0x2000")
    assert 'shares the one at 0x11000 with "left"' in found["region[1].size"]
    assert "shares" not in found["region[0].size"] + found["region[2].start"]


def test_a_store_that_overlaps_is_not_told_of_sharing_as_well(tmp_path: Path) -> None:
    main = region("main", "program", size="64 KiB")
    found = faults(tmp_path, main, region("files", "store", start="0x8000", size="128 KiB"))
    assert list(found) == ["region[1].start"]
    assert " AND " not in found["region[1].start"]
    found = faults(tmp_path, main, region("files", "store", start="0x8800", size="128 KiB"))
    assert 'inside "main"' in found["region[1].start"]
    assert "shares" not in found["region[1].start"]


def test_nobody_is_told_to_go_behind_the_end_of_the_chip(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        region("a", "store", size="2 MiB"),
        region("b", "spare", start="0x80000", size="4 KiB"),
        region("c", "spare", start="0x180000", size="4 KiB"),
    )
    assert found["region[1].start"].endswith("; make that one smaller")
    assert " AND " not in found["region[2].start"]


def test_a_region_with_a_fault_of_its_own_hides_no_fault_of_another(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        region("a", "spare", size="8 KB"),
        region("b", "spare", size="256 KiB"),  # nobody knows where it lies
        region("c", "spare", start="0x20000", size="8 KiB"),
        region("d", "spare", start="0x21000", size="8 KiB"),
    )
    assert list(found) == ["region[0].size", "region[3].start"]


def test_a_store_must_be_large_enough_and_there_is_one(tmp_path: Path) -> None:
    found = faults(tmp_path, region("files", "store", size="12 KiB"), region("more", "store", size="64 KiB"))
    assert "write at least 20 KiB, or" in found["region[0].size"]
    assert '"files" holds the store already' in found["region[1].holds"]


def test_what_would_fit_is_told_where_the_store_has_too_many_blocks(tmp_path: Path) -> None:
    many = f'[chip]\nsize = "256 MiB"\n{region("files", "store")}'
    path = tmp_path / "chip.toml"
    path.write_text(many)
    with pytest.raises(BadScenario) as failed:
        load_scenario(path, DeviceOnly)
    (fault,) = failed.value.faults
    assert str(fault).endswith("at most 65534 erase blocks, not 65536; write a smaller store")


def scenario(*parts: str) -> str:
    return "\n".join([CHIP, *parts, RUN])


def test_in_a_scenario_the_region_says_where_the_store_is() -> None:
    regions = [region("main", "program", size="64 KiB"), region("files", "store", size="128 KiB")]
    read = parse_scenario(scenario(*regions).encode(), "plan.toml")
    assert (read.store.start, read.store.size) == (64 * KIB, 128 * KIB)
    with pytest.raises(BadScenario, match=r"store\.size: a region that holds .* leave this out"):
        parse_scenario(scenario('[store]\nsize = "64 KiB"', *regions).encode(), "plan.toml")
    with pytest.raises(BadScenario, match="no region holds the store; write one"):
        parse_scenario(scenario(regions[0]).encode(), "plan.toml")
    with pytest.raises(BadScenario, match=r"region: it is one table.*write \[\[region\]\]"):
        parse_scenario(scenario(regions[0].replace("[[region]]", "[region]")).encode(), "plan.toml")


def regions_in(text: str) -> list[Region]:
    return [Region.model_validate(table) for table in tomllib.loads(text)["region"]]


SHARED = regions_in(
    "\n".join(
        [
            region("main", "program", size="96 KiB"),
            region("settings", "parameters", start="0x20000", size="8 KiB", rewritten_every="1 h", turns=2),
            region("files", "store", start="0x80000", size="128 KiB", align="64 KiB"),
            region("last", "spare", start="0xff000", size="4 KiB"),
        ]
    )
)
PART = replace(GENERIC, size_bytes=1 << 20)


def test_the_largest_store_leaves_every_other_region_where_it_is() -> None:
    placed = place(SHARED, PART)
    assert free_stretches(placed, PART) == [
        Stretch(96 * KIB, 128 * KIB), Stretch(136 * KIB, 512 * KIB), Stretch(640 * KIB, 1020 * KIB),
    ]  # fmt: skip
    assert largest_store(placed, PART) == Stretch(192 * KIB, 1020 * KIB)  # from a multiple of its align


def test_a_store_of_another_size_stays_where_it_is_as_long_as_it_fits() -> None:
    placed = place(SHARED, PART)
    assert store_of_size(508 * KIB, placed, PART) == 512 * KIB
    assert store_of_size(512 * KIB, placed, PART) == 192 * KIB
    assert store_of_size(828 * KIB, placed, PART) == 192 * KIB
    assert store_of_size(832 * KIB, placed, PART) is None


def test_each_writing_erases_one_of_the_turns_and_a_release_writes_update_and_program() -> None:
    first, main, update = regions_in(
        "\n".join(
            [
                region("first", "program", size="8 KiB"),
                region("main", "program", size="96 KiB"),
                region("next", "update", size="96 KiB", of="main"),
            ]
        )
    )
    regions = [first, main, update, *SHARED[1:]]
    releases = Releases.model_validate({"planned": 3, "every": "10 d"})
    paces = [erased_every_ns(one, regions, releases) for one in regions]
    assert paces == [None, 10 * DAY_NS, 10 * DAY_NS, 2 * 3600 * 10**9, None, None]
    assert erased_every_ns(update, regions, Releases()) is None
