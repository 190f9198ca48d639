"""A scenario may change any figure of a part, and its reports say so."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from simfs.flash import Datasheet
from simfs.flash.parts import PARTS
from simfs.replay.play import replay
from simfs.replay.scenario.changed_part import key_of
from simfs.replay.scenario.media.chip import Chip
from simfs.show.text import as_text
from simfs.study.run.measure import figures

MIB, MS = 1 << 20, 10**6
OTHER = {  # another figure than W25Q32JV has, by key, and the words that tell it
    "size": ("2 MiB", "size 2 MiB, not 4 MiB"),
    "page": ("128 B", "page 128 B, not 256 B"),
    "program_unit": ("8 B", "program_unit 8 B, not 1 B"),
    "page_programs_max": (4, "page_programs_max 4, not 0"),
    "program_typ": ("500 us", "program_typ 500 us, not 400 us"),
    "program_max": ("4 ms", "program_max 4 ms, not 3 ms"),
    "erase_typ": ("60 ms", "erase_typ 60 ms, not 45 ms"),
    "erase_max": ("500 ms", "erase_max 500 ms, not 400 ms"),
    "read_byte": ("80 ns", "read_byte 80 ns, not 160 ns"),
    "read_overhead": ("320 ns", "read_overhead 320 ns, not 640 ns"),
    "program_ua": (15_000, "program_ua 15,000 uA, not 20,000 uA"),
    "erase_ua": (15_000, "erase_ua 15,000 uA, not 20,000 uA"),
    "read_ua": (5_000, "read_ua 5,000 uA, not 8,000 uA"),
    "standby_ua": (1, "standby_ua 1 uA, not 10 uA"),
    "supply_mv": (1_800, "supply_mv 1,800 mV, not 3,300 mV"),
    "rated_cycles": (50_000, "rated_cycles 50,000, not 100,000"),
    "retention_years": (10, "retention_years 10 years, not 20 years"),
}


def sheet_of(**keys: object) -> Datasheet:
    return Chip.model_validate(keys).datasheet()


def test_every_key_of_a_chip_is_tried_here() -> None:
    assert {*OTHER, "block", "part"} == set(Chip.model_fields)


@pytest.mark.parametrize("key", OTHER)
def test_one_figure_is_changed_and_told_and_all_others_stay(key: str) -> None:
    value, told = OTHER[key]
    part, sheet = PARTS["W25Q32JV"], sheet_of(part="W25Q32JV", **{key: value})
    assert sheet.name == f"W25Q32JV (changed: {told})"
    differing = [field.name for field in fields(Datasheet) if getattr(sheet, field.name) != getattr(part, field.name)]
    changed = [name for name in differing if name not in ("name", "apart")]
    assert [key_of(name) for name in changed] == [key]
    assert sheet.sources() == {**part.sources(), changed[0]: "the scenario"}


def test_the_same_figure_is_no_change() -> None:
    assert sheet_of(part="W25Q32JV", erase_typ="45 ms", block="4 KiB") is PARTS["W25Q32JV"]


def test_one_of_a_part_s_sizes_is_no_change_to_tell() -> None:
    sheet = sheet_of(part="generic-built-in-serial", size="2 MiB")
    assert (sheet.name, sheet.size_bytes) == ("generic-built-in-serial", 2 * MIB)
    changed = sheet_of(part="generic-built-in-serial", size="2 MiB", rated_cycles=5000)
    assert changed.name == "generic-built-in-serial (changed: rated_cycles 5,000, not 10,000)"


def test_another_erase_block_comes_with_its_own_times() -> None:
    sheet = sheet_of(part="W25Q32JV", block="16 KiB", erase_typ="80 ms", erase_max="800 ms")
    assert (sheet.block_bytes, sheet.erase_typ_ns, sheet.erase_max_ns) == (16 << 10, 80 * MS, 800 * MS)
    assert sheet_of(part="generic", block="16 KiB").name == "generic (changed: block 16 KiB, not 4 KiB)"


def test_the_report_of_a_run_says_what_was_changed(tmp_path: Path) -> None:
    path = tmp_path / "small.toml"
    path.write_text(
        '[chip]\npart = "W25Q32JV"\nsize = "64 KiB"\nrated_cycles = 5000\n[run]\nduration = "1 h"\n'
        '[[task]]\nname = "gauge"\nevery = "6 min"\n'
        'operations = [{ do = "append", file = "/tide.csv", size = "20 B" }]\n'
    )
    text = " ".join(as_text(figures(replay(path)), ()).split())
    assert "flash W25Q32JV (changed: size 64 KiB, not 4 MiB; rated_cycles 5,000, not 100,000): 16 blocks" in text
