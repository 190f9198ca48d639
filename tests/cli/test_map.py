"""`simfs map`: the map, its picture, stores of several sizes, and what regions mean for `simfs run`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from tests.support.places import SCENARIOS

CHIP = """\
[chip]
size = "256 KiB"
[[region]]
name = "program"
holds = "program"
size = "64 KiB"
[[region]]
name = "settings"
holds = "parameters"
size = "4 KiB"
rewritten_every = "90 s"
[[region]]
name = "files"
holds = "store"
start = "0x20000"
size = "64 KiB"
[[region]]
name = "last"
holds = "spare"
start = "0x3f000"
"""
RUN = """\
[run]
duration = "2 d"
[[task]]
name = "log"
every = "10 min"
operations = [{ do = "append", file = "/log/{date}", size = "30 B", keep = 2 }]
[expect]
life_min = "1 years"
"""


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, [*map(str, words)])


@pytest.fixture
def chip(tmp_path: Path) -> Path:
    path = tmp_path / "chip.toml"
    path.write_text(CHIP)
    return path


@pytest.fixture
def device(tmp_path: Path) -> Path:
    path = tmp_path / "device.toml"
    path.write_text(CHIP + RUN)
    return path


def test_json_has_every_region_and_the_largest_store(chip: Path) -> None:
    found = json.loads(invoke("map", chip, "--json").stdout)
    assert [(one["name"], one["start_bytes"], one["end_bytes"]) for one in found["regions"]] == [
        ("program", 0, 0x10000), ("settings", 0x10000, 0x11000),
        ("files", 0x20000, 0x30000), ("last", 0x3F000, 0x40000),
    ]  # fmt: skip
    assert found["largest_store"] == {"start_bytes": 0x11000, "end_bytes": 0x3F000, "size_bytes": 0x2E000}
    assert found["free_bytes"] == 0xF000 + 0xF000
    settings = found["regions"][1]
    assert settings["life_ns"] == 100_000 * 90 * 10**9


def test_a_scenario_without_regions_has_its_store_alone(tmp_path: Path) -> None:
    path = tmp_path / "plain.toml"
    path.write_text('[chip]\nsize = "256 KiB"\n[store]\nstart = "128 KiB"\n' + RUN)
    found = json.loads(invoke("map", path, "--json").stdout)
    assert [(one["name"], one["start_bytes"], one["size_bytes"]) for one in found["regions"]] == [
        ("store", 0x20000, 0x20000)
    ]


def test_the_picture_is_written_whole_or_not_at_all(chip: Path, tmp_path: Path) -> None:
    picture = tmp_path / "chip.svg"
    assert invoke("map", chip, "--svg", picture).exit_code == 0
    assert picture.read_text().startswith("<svg ")
    for target, says in (
        (chip, "this is the input"),
        (tmp_path, "not a regular file"),
        (tmp_path / "no" / "x", "no dir"),
    ):
        done = invoke("map", chip, "--svg", target)
        assert (done.exit_code, done.stdout) == (2, "")
        assert done.stderr.startswith(f"--svg {target}: ")
        assert says in done.stderr
    assert chip.read_text() == CHIP


def test_faults_are_lines_and_no_picture_is_written(chip: Path, tmp_path: Path) -> None:
    chip.write_text(CHIP.replace('"4 KiB"', '"5 KiB"').replace('"0x20000"', '"0x0F000"'))
    done = invoke("map", chip, "--svg", tmp_path / "chip.svg")
    assert (done.exit_code, done.stdout) == (2, "")
    assert sorted(line.split(": ")[1] for line in done.stderr.splitlines()) == [
        "region[1].size", "region[1].start", "region[2].start",
    ]  # fmt: skip
    assert not (tmp_path / "chip.svg").exists()


def test_stores_of_several_sizes_are_run_where_they_fit(device: Path) -> None:
    done = invoke("map", device, "--stores", "64 KiB, 0x20000,1 MiB, 8KiB", "--workers", "1", "--json")
    assert (done.exit_code, done.stderr) == (0, "")
    found = json.loads(done.stdout)["variants"]
    assert [tuple(one["settings"].values()) for one in found] == [
        ("64 KiB", "0x20000"), ("128 KiB", "0x11000"), ("1 MiB", "-"), ("8 KiB", "0x20000"),
    ]  # fmt: skip
    assert [one["summary"] is not None for one in found] == [True, True, False, False]
    assert found[0]["summary"]["free_bytes_min"] < found[1]["summary"]["free_bytes_min"]
    assert found[2]["refused"] == ["the other regions leave no such room; at most 184 KiB from 0x11000 on fit"]
    assert "write at least " in found[3]["refused"][0]


def test_a_store_without_regions_is_run_in_other_sizes_too(tmp_path: Path) -> None:
    path = tmp_path / "plain.toml"
    path.write_text('[chip]\nsize = "256 KiB"\n[store]\nstart = "128 KiB"\n' + RUN)
    done = invoke("map", path, "--stores", "64 KiB,192 KiB", "--workers", "1", "--json")
    assert [tuple(one["settings"].values()) for one in json.loads(done.stdout)["variants"]] == [
        ("64 KiB", "0x20000"), ("192 KiB", "0x0"),
    ]  # fmt: skip


def test_the_table_says_when_each_store_is_full(device: Path) -> None:
    device.write_text((CHIP + RUN).replace(", keep = 2", ""))
    text = invoke("map", device, "--stores", "32 KiB,128 KiB", "--workers", "1").stdout
    rows = [line.split() for line in text.splitlines() if "0x" in line]
    days = [float(row[row.index("days") - 1]) for row in rows]
    assert 0 < days[0] * 3 < days[1]
    assert "full" in text


@pytest.mark.parametrize(
    ("sizes", "says"),
    [
        ("64 KB", '--stores: "64 KB": the unit KB'),
        ("64 KiB,", "--stores: "),
        ("6 KiB", "--stores: 6 KiB is not whole erase blocks of 4 KiB; write 4 KiB"),
        ("64 KiB,0x10000", "--stores: 0x10000 is there already"),
    ],
)
def test_sizes_that_make_no_sense_are_refused(device: Path, sizes: str, says: str) -> None:
    done = invoke("map", device, "--stores", sizes)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.startswith(says)


def test_what_has_no_tasks_can_not_be_run(chip: Path) -> None:
    done = invoke("map", chip, "--stores", "64 KiB")
    assert done.exit_code == 2
    assert "--stores: only a scenario can be run" in done.stderr
    assert "--workers: it is for --stores" in invoke("map", chip, "--workers", "1").stderr


def test_a_run_counts_the_wear_of_the_other_regions(device: Path) -> None:
    """Two days have 1,920 times 90 seconds; 100,000 times take 104 days, less than the year that is wanted."""
    done = invoke("run", device)
    text = " ".join(done.stdout.split())
    assert done.exit_code == 1
    assert 'The region "settings" wears out before the store, after 104 days.' in text
    assert "Rewrite that region less often" in text
    assert "life, settings 104 days until the rated 100,000 cycles of 0x10000 to 0x11000" in text
    assert "! NOT MET life_min 104 days" in text
    found = json.loads(invoke("run", device, "--json").stdout)
    assert [(one["name"], one["erases_in_run"], one["life_ns"]) for one in found["regions"]] == [
        ("settings", 1920, 100_000 * 90 * 10**9)
    ]
    assert found["subject"]["region_start_bytes"] == 0x20000


def test_a_region_that_outlives_the_store_changes_no_verdict(device: Path) -> None:
    """The store is written over some twenty times a day, so that it lasts about ten years; the region lasts 821."""
    busy = RUN.replace("10 min", "1 min").replace("append", "write").replace("30 B", "1 KiB").replace("{date}", "now")
    device.write_text(CHIP.replace('"90 s"', '"3 d"') + busy.replace(", keep = 2", ""))
    done = invoke("run", device)
    assert done.exit_code == 0
    assert "wears out" not in done.stdout
    assert "life, settings" in done.stdout
    assert 'settings" wears out' in invoke_with(device, '"3 d"', '"30 min"')


def invoke_with(device: Path, old: str, new: str) -> str:
    """What a run prints once the scenario is changed, on one line."""
    device.write_text(device.read_text().replace(old, new))
    return " ".join(invoke("run", device).stdout.split())


def test_the_shipped_scenario_has_one_of_each_kind() -> None:
    found = json.loads(invoke("map", SCENARIOS / "weir.toml", "--json").stdout)
    assert {one["holds"] for one in found["regions"]} == {"program", "update", "parameters", "store", "spare"}


def test_a_recording_has_no_map(tmp_path: Path) -> None:
    path = tmp_path / "rec.txt"
    path.write_text("100 1922313600.000100 close(3)\n")
    done = invoke("map", path)
    said = f"{path}: only a scenario or the regions of a chip have a map; give a .toml file\n"
    assert (done.exit_code, done.output) == (2, said)
