"""`simfs parts`: the catalogue, one part, and the tables of a dump."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.flash.parts import PARTS
from simfs.replay.scenario.load import parse_scenario
from simfs.replay.scenario.media.chip import Chip
from simfs.sfdp.dump import RIGHT
from simfs.sfdp.facts import facts_of
from tests.sfdp.building import DUMPS, area_of, tables_of

REST = """
[run]
duration = "2 d"
[[task]]
name = "gauge"
every = "6 min"
operations = [{ do = "append", file = "/tide.csv", size = "20 B" }]
"""


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, ["parts", *map(str, words)])


def read(part: str, *words: object) -> Result:
    return invoke("read", DUMPS / f"{part}.txt", *words)


def chip_of(path: Path) -> tuple[object, ...]:
    sheet = parse_scenario(path.read_bytes() + REST.encode(), str(path)).chip.datasheet()
    return (
        sheet.size_bytes, sheet.block_bytes, sheet.page_bytes,
        sheet.erase_typ_ns, sheet.erase_max_ns, sheet.program_typ_ns, sheet.program_max_ns,
    )  # fmt: skip


def test_a_dump_is_printed_with_each_field_its_dword_and_its_meaning() -> None:
    result = read("GD25LB512ME")
    assert result.exit_code == 0
    lines = [" ".join(line.split()) for line in result.stdout.splitlines()]
    assert lines[0].endswith(
        "GD25LB512ME.txt: revision 1.6 (JESD216B), 3 tables, access FFh: 3 address bytes, 8 wait clocks, one line"
    )
    for expected in (
        "erase 32 KiB 112 ms, 1.34 s opcode 52h, erase type 2",
        "page program 184 us, 1.47 ms a page of 256 bytes",
        "note: DWORD 15: quad enable 7 is reserved; look it up in the datasheet",
        "table FF00h: basic flash parameters, 16 DWORDs from 30h on, revision 1.6",
        "10 3:0 erase: longest time 5h the longest time is 12 times the typical",
        "10 31:25 erase type 4: typical time 7Fh the type is absent",
        "table FFC8h: a maker's own table, 3 DWORDs from 90h on, revision 1.0",
        "table FF84h: 4-byte address instructions, 2 DWORDs from C0h on, revision 1.0",
    ):
        assert expected in lines, expected
    assert max(map(len, result.stdout.splitlines()[1:])) <= 120


def test_all_dumps_are_printed() -> None:
    for path in DUMPS.iterdir():
        result = read(path.stem)
        assert result.exit_code == (1 if path.stem in ("IS25WP256", "S25FS256T") else 0), path.stem
        assert ("\n! " in result.stdout) == (result.exit_code == 1)


def test_regions_of_the_sector_map_have_their_addresses() -> None:
    lines = [" ".join(line.split()) for line in read("S28HS02GT").stdout.splitlines()]
    assert "9 FFE0000h 128 KiB 1" in lines
    assert "10 0h 256 MiB 4" in lines


@pytest.mark.parametrize("part", ["AT25QL128A", "GD25LB512ME", "IS25WP256", "MX66UW1G345G", "S25FS256T"])
def test_a_scenario_takes_the_chip_that_was_written_with_both_ends_of_its_times(part: str, tmp_path: Path) -> None:
    out = tmp_path / "chip.toml"
    assert read(part, "--toml", out).exit_code in (0, 1)
    facts = facts_of(tables_of(part))
    erase, program = facts.erase_types[0], facts.program
    assert erase.time is not None
    assert program is not None
    assert chip_of(out) == (
        facts.size_bytes, erase.size_bytes, facts.page_bytes,
        erase.time.typ_ns, erase.time.max_ns, program.typ_ns, program.max_ns,
    )  # fmt: skip


def test_the_lines_for_larger_blocks_can_take_the_place_of_the_others(tmp_path: Path) -> None:
    out = tmp_path / "chip.toml"
    read("AT25QL128A", "--toml", out)
    head, *others = out.read_text().split("\n# Erase type ")
    kept = [line for line in head.splitlines() if not line.startswith(("block", "erase"))]
    swapped = kept + [line.removeprefix("# ") for line in others[1].splitlines()[1:]]
    out.write_text("\n".join(swapped))
    assert chip_of(out)[1:5] == (65_536, 256, 352_000_000, 2_816_000_000)


def test_the_smallest_erase_type_that_is_everywhere_is_taken(tmp_path: Path) -> None:
    out = tmp_path / "chip.toml"
    read("S28HS02GT", "--toml", out)
    assert chip_of(out)[1] == 256 << 10
    read("P25D40SH", "--toml", out)
    assert chip_of(out)[:3] == (512 << 10, 4 << 10, PARTS["generic"].page_bytes)
    assert "don't say times and the page" in out.read_text()


def test_a_dump_that_can_not_be_read_is_refused_with_every_fault_at_once(tmp_path: Path) -> None:
    dump, out = tmp_path / "dump.bin", tmp_path / "chip.toml"
    area = area_of("S25FS256T")
    area[0x15:0x16] = b"\x02"
    dump.write_bytes(area)
    result = invoke("read", dump, "--toml", out)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.splitlines() == [
        f"{dump}: at 10h: table FF84h goes from 250h to 258h, and the dump ends at 158h; read more of the part",
        f"{dump}: opcode D8h erases 64 KiB and 128 KiB (erase types 2 and 1)",
    ]
    assert not out.exists()


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"no table", 'line 1: "no" is no byte; ' + RIGHT),
        (
            b"\x7fELF" * 9,
            'at 0h: the first four bytes are 7f 45 4c 46; they are "SFDP" (53 46 44 50) in every such table',
        ),
        (b"", "there is nothing in it; give the bytes that command 5Ah reads, or their digits"),
    ],
)
def test_other_files_are_refused_in_one_line(raw: bytes, told: str, tmp_path: Path) -> None:
    dump = tmp_path / "dump"
    dump.write_bytes(raw)
    result = invoke("read", dump)
    assert (result.exit_code, result.stderr) == (2, f"{dump}: {told}\n")


def test_nothing_is_written_that_no_scenario_could_take(tmp_path: Path) -> None:
    dump, out = tmp_path / "dump.bin", tmp_path / "chip.toml"
    area = area_of("AT25QL128A")
    area[0x34:0x38] = bytes.fromhex("20000080")
    dump.write_bytes(area)
    result = invoke("read", dump, "--toml", out)
    assert (result.exit_code, out.exists()) == (2, False)
    assert result.stderr == (
        f"{dump}: the part has 512 MiB; a scenario's chip has at most 256 MiB; nothing was written\n"
    )
    area[0x34:0x38] = bytes.fromhex("ff7f0000")
    dump.write_bytes(area[:0x4C] + b"\x10\xd8\x10\xd8" + area[0x50:])
    result = invoke("read", dump, "--toml", out)
    assert (result.exit_code, out.exists()) == (2, False)
    assert result.stderr.startswith(f"{dump}: no scenario could have such a chip: ")
    for bad, why in ((tmp_path, "it is not a regular file; name a file to write"), (tmp_path / "no" / "chip.toml",
        "No such file or directory; nothing was written")):  # fmt: skip
        result = read("AT25QL128A", "--toml", bad)
        assert (result.exit_code, result.stderr) == (2, f"--toml {bad}: {why}\n")


def listed(*words: object) -> list[str]:
    result = invoke(*words)
    assert result.exit_code == 0, result.stderr
    lines = result.stdout.splitlines()
    return [line.split()[0] for line in lines[2 : lines.index("")]]


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ((), list(PARTS)),
        (("--size", "4MiB"), ["W25Q32JV", "W25Q32JV/32K", "W25Q32JV/64K", "generic", "generic-built-in-serial"]),
        (("--size", "..512KiB", "--block", "4KiB"), ["IS25LD040", "generic-built-in-4K"]),
        (("--size", "16MiB..", "--block", "32KiB..64KiB"),
            ["W25Q128JV/32K", "W25Q128JV/64K", "IS25LP128F-A3/32K", "IS25LP128F-A3/64K"]),
        (("--cycles", "100001.."), ["IS25LD040", "IS25LD040/32K", "IS25LD040/64K"]),
        (("--cycles", "..99999", "--serial"), ["M25P128", "generic-built-in-serial"]),
        (("--built-in",), ["generic-built-in-serial", "generic-built-in-4K", "generic-built-in-128K"]),
        (("--name", "w25q", "--block", "4KiB"), ["W25Q32JV", "W25Q128JV"]),
    ],
)  # fmt: skip
def test_the_catalogue_is_searched(words: tuple[str, ...], wanted: list[str]) -> None:
    assert listed(*words) == wanted


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        (("--size", "3MiB..3MiB", "--built-in", "--block", "8KiB"), 1, "no part in the catalogue is like that\n"),
        (("--size", "4MB"), 2, "--size 4MB: "),
        (("--size", ".."), 2, "--size ..: this is no range; write for example 1MiB..4MiB\n"),
        (("--size", "8MiB..4MiB"), 2, "--size 8MiB..4MiB: the first is more than the second; write the least first\n"),
        (("--cycles", "1e5"), 2, '--cycles 1e5: "1e5" is no count; write digits alone, such as 100000\n'),
        (
            ("--built-in", "show", "generic"),
            2,
            "--built-in: it is for the list; leave it out, or leave out the command\n",
        ),
        (("show", "W25Q32"), 2, "W25Q32: there is no such part in the catalogue; did you mean W25Q32JV"),
    ],
)
def test_what_is_not_found_or_not_understood(words: tuple[str, ...], status: int, told: str) -> None:
    result = invoke(*words)
    assert result.exit_code == status
    assert (result.stderr or result.stdout).startswith(told)


def test_one_part_is_printed_whole_with_the_source_of_each_figure() -> None:
    result = invoke("show", "SST26VF064B")
    lines = [" ".join(line.split()) for line in result.stdout.splitlines()]
    assert lines[0] == "SST26VF064B: flash, serial"
    assert "program_max 1500 us from memory; no typical, the maximum stands for both" in lines
    assert "erase_max 25 ms Microchip DS20005119J" in lines
    assert "size 1 MiB, 2 MiB, 4 MiB, 8 MiB, 16 MiB invented: as the part generic" in [
        " ".join(line.split()) for line in invoke("show", "generic-built-in-serial").stdout.splitlines()
    ]


def test_a_field_that_means_a_number_above_999_is_printed(tmp_path: Path) -> None:
    area = area_of("S25FS256T")
    area[0x148:0x14C] = (0x600 << 9).to_bytes(4, "little")  # DWORD 19 of the basic table
    dump = tmp_path / "dump.bin"
    dump.write_bytes(area)
    assert "600h  1,536" in invoke("read", dump).stdout


@pytest.mark.parametrize("name", PARTS)
def test_each_key_that_is_printed_is_one_of_a_scenario(name: str) -> None:
    lines = invoke("show", name).stdout.splitlines()
    keys = {line.split()[0] for line in lines[4 : lines.index("", 4)] if not line.startswith(" ")}
    assert keys == set(Chip.model_fields) - {"part"}


def test_a_part_in_place_of_a_command_is_pointed_to_it() -> None:
    done = invoke("w25q32")
    assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
    assert "w25q32 is no command; `simfs parts show NAME` prints a part" in done.stderr
    assert "No such command 'raed'" in invoke("raed").stderr
