"""`simfs image` from its command line: what it prints, how it exits, and that the image is never written to."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from simfs import CorruptStore, NorFlash, Store
from simfs.cli.image_command import image
from simfs.cli.inputs import described_store
from simfs.store.log.state import Damage
from tests.support.places import SCENARIOS

Run = Callable[..., Result]
SIZE = ("--size", "64KiB")
READ_HURT = ("read", "unit.img", "/log/a.csv")
ONE_IS_HURT = "damaged in 1 place; 2 files: 1 sound, 1 hurt, 0 may be older or shorter"
EXTRACT_SMALL = """import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
sys.argv[1:] = ["image", "extract", *sys.argv[1:]]
from simfs.cli import main
main()"""


@pytest.fixture
def simfs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs `simfs image` in a directory of its own that has `files` to build from."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "files" / "log").mkdir(parents=True)
    (tmp_path / "files" / "log" / "a.csv").write_bytes(b"06:00,2.41\n" * 400)
    (tmp_path / "files" / "set.ini").write_bytes(b"level = 3\n")

    def run(*arguments: str) -> Result:
        return CliRunner().invoke(image, arguments)

    return run


@pytest.fixture
def unit(simfs: Run, tmp_path: Path) -> Path:
    """An image that was built."""
    assert simfs("build", "files", "unit.img", *SIZE).exit_code == 0
    return tmp_path / "unit.img"


def test_from_a_directory_and_back(simfs: Run, unit: Path) -> None:
    assert unit.stat().st_size == 65536
    listed = simfs("list", "unit.img").output
    assert "4,400  /log/a.csv" in listed
    assert "2 files of 4.31 KiB" in listed
    done = simfs("extract", "unit.img", "back")
    assert done.exit_code == 0
    assert Path("back/log+a.csv").read_bytes() == Path("files/log/a.csv").read_bytes()
    assert sorted(os.listdir("back")) == ["log+a.csv", "set.ini"]


def test_one_file_goes_to_standard_output(unit: Path) -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "simfs", "image", "read", "unit.img", "/log/a.csv"], capture_output=True, check=True
    )
    assert shown.stdout == b"06:00,2.41\n" * 400


def test_the_same_files_give_the_same_image(simfs: Run, unit: Path) -> None:
    os.utime("files/set.ini", (0, 0))
    simfs("build", "files", "again.img", *SIZE)
    assert Path("again.img").read_bytes() == unit.read_bytes()


def test_a_scenario_gives_chip_and_store(simfs: Run) -> None:
    scenario = SCENARIOS / "doorbell.toml"
    assert simfs("build", "files", "unit.img", "--device", str(scenario)).exit_code == 2
    Path("files/log/a.csv").write_bytes(b"1,2\n")
    assert simfs("build", "files", "unit.img", "--device", str(scenario)).exit_code == 0
    assert Path("unit.img").stat().st_size == described_store(str(scenario), None, None).flash.geometry.size_bytes


def test_name_faults_leave_an_older_image_as_it_was(simfs: Run, unit: Path) -> None:
    before = unit.read_bytes()
    for name in ("x" * 60, "y" * 70):
        Path("files", name).write_bytes(b"")
    done = simfs("build", "files", "unit.img", *SIZE)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().split("\n")) == 2
    assert unit.read_bytes() == before


def test_room_that_is_missing_is_one_line(simfs: Run) -> None:
    Path("files/big").write_bytes(bytes(100_000))
    done = simfs("build", "files", "unit.img", *SIZE)
    assert done.exit_code == 2
    assert "bytes are missing" in done.stderr
    assert done.stderr.count("\n") == 1
    assert not Path("unit.img").exists()


@pytest.mark.parametrize("action", [("list",), ("verify",), ("explain",), ("extract", "out"), ("read", "/set.ini")])
def test_the_image_is_never_written(simfs: Run, unit: Path, action: tuple[str, ...]) -> None:
    """Not even where a power cut left something to settle."""
    data = bytearray(unit.read_bytes())
    end = data.index(b"level = 3\n") + 14
    data[end : end + 7] = b"\x11\x00\x05\x00torn"[:7]
    unit.write_bytes(data)
    os.utime(unit, (1, 1))
    unit.chmod(0o444)
    before = hashlib.sha256(data).digest()
    done = simfs(action[0], "unit.img", *action[1:])
    assert done.exit_code == 0, done.output
    assert hashlib.sha256(unit.read_bytes()).digest() == before
    assert unit.stat().st_mtime == 1


def test_verify_shows_damage_by_its_exit_status(simfs: Run, unit: Path) -> None:
    assert simfs("verify", "unit.img").exit_code == 0
    data = bytearray(unit.read_bytes())
    data[data.index(b"06:00") + 40] ^= 1
    unit.write_bytes(data)
    done = simfs("verify", "unit.img")
    assert done.exit_code == 1
    assert done.stdout.startswith(f"{ONE_IS_HURT}\ndamaged: 0x")
    assert done.stdout.endswith("\nhurt: /log/a.csv: 256 bytes are lost: 0 to 256\n")


def test_verify_reports_what_is_torn_and_takes_it_for_sound(simfs: Run, unit: Path) -> None:
    data = bytearray(unit.read_bytes())
    end = data.index(b"level = 3\n") + 14
    data[end : end + 3] = b"\x11\x00\x05"
    unit.write_bytes(data)
    done = simfs("verify", "unit.img")
    assert done.exit_code == 0
    torn = f"torn: {end:#x}: a torn frame, or several; a power cut leaves this"
    assert done.output.startswith(f"sound: every byte was read; 2 files\n{torn}")
    (doubt,) = json.loads(simfs("verify", "unit.img", "--json").output)["doubts"]
    assert doubt == {"address": end, "what": "a torn frame, or several"}


def test_what_is_left_of_a_damaged_image_comes_out_marked(simfs: Run, unit: Path) -> None:
    data = bytearray(unit.read_bytes())
    data[data.index(b"06:00") + 40] ^= 1
    unit.write_bytes(data)
    assert "256 bytes are lost: 0 to 256" in simfs("explain", "unit.img").output
    done = simfs("extract", "unit.img", "sound")
    assert (done.exit_code, os.listdir("sound")) == (1, ["set.ini"])
    assert "/log/a.csv: 256 bytes are lost: 0 to 256" in done.output
    done = simfs("extract", "unit.img", "out", "--damaged")
    assert (done.exit_code, sorted(os.listdir("out"))) == (1, ["log+a.csv+damaged", "set.ini"])
    assert "--damaged helps" not in done.output
    saved = Path("out/log+a.csv+damaged").read_bytes()
    assert saved == bytes(256) + (b"06:00,2.41\n" * 400)[256:]


def test_what_the_host_ends_is_taken_back_and_told(simfs: Run, unit: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", EXTRACT_SMALL, "unit.img", "out"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "out: File too large; extraction ended there, and what it had written is taken back\n"
    assert not Path("out").exists()


def test_the_list_says_which_name_became_which(simfs: Run) -> None:
    Path("files/.git").mkdir()
    for name in (".git/config", 'say "ä\t+"'):
        Path("files", name).write_bytes(name.encode())
    assert simfs("build", "files", "named.img", *SIZE).exit_code == 0
    done = simfs("extract", "named.img", "out")
    assert done.exit_code == 0
    assert "  .git+config  from /.git/config\n" in done.output
    assert '  say %22ä%09%2B%22  from /say "ä\\t+"\n' in done.output
    assert Path("out/say %22ä%09%2B%22").read_bytes() == b'say "\xc3\xa4\t+"'


def test_of_a_damaged_image_single_files_are_read_and_listed(simfs: Run, unit: Path) -> None:
    data = bytearray(unit.read_bytes())
    data[data.index(b"06:00") + 40] ^= 1
    unit.write_bytes(data)
    sound, hurt, listed = (
        simfs(*words) for words in (("read", "unit.img", "/set.ini"), READ_HURT, ("list", "unit.img"))
    )
    assert (sound.exit_code, sound.stdout, sound.stderr) == (0, "level = 3\n", "")
    assert hurt.exit_code == listed.exit_code == 1
    assert "simfs image extract --damaged" in hurt.stderr
    assert "simfs image verify" in listed.stderr
    assert "4,400  /log/a.csv" in listed.stdout


def test_every_command_says_what_the_store_says(simfs: Run, unit: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a block that is lost: one file is gone, one may be older."""
    damage = Damage(4096, 8192, "a block has lost its header", ("/gone",), ("/log/a.csv",))
    monkeypatch.setattr(Store, "damages", (damage,))
    Path("chip").write_bytes(bytes(0x3000) + unit.read_bytes())
    line = "0x4000 to 0x5000: a block has lost its header; hurt: /gone; may be older or shorter: /log/a.csv"
    for action in ("verify", "explain"):
        found = json.loads(simfs(action, "chip", "--json").output)
        shown = {"begin": 0x4000, "end": 0x5000, "what": damage.what, "names": ["/gone"], "maybe": ["/log/a.csv"]}
        shown["certain"] = True
        assert found["damages"] == [shown]
        text = simfs(action, "chip").output
        assert f"damaged: {line}\n" in text
        assert "damaged in 1 place; 3 files: 1 sound, 1 hurt, 1 may be older or shorter" in text.splitlines()[:2]
    assert [simfs(action, "chip").exit_code for action in ("verify", "explain", "list")] == [1, 0, 1]
    for target, options in (("out", ()), ("all", ("--damaged",))):
        done = simfs("extract", "chip", target, *options)
        assert (done.exit_code, sorted(os.listdir(target))) == (1, ["log+a.csv", "set.ini"])
        assert "from /log/a.csv; it may be older or shorter than it was\n" in done.output
        assert "/gone: gone" in done.output
    older = simfs("read", "chip", "/log/a.csv")
    assert (older.exit_code, older.stdout) == (1, "06:00,2.41\n" * 400)
    assert "/log/a.csv: may be older or shorter than it was" in older.stderr
    assert simfs("read", "chip", "/set.ini").exit_code == 0
    assert simfs("read", "chip", "/gone").exit_code == 1


def test_one_block_is_shown_byte_by_byte(simfs: Run, unit: Path) -> None:
    shown = simfs("explain", "unit.img", "--block", "0").output
    assert shown.startswith("block 0: 0x0 to 0x1000; ")
    assert "\n0x10 STATEMENT 1: base 1" in shown
    assert "NAME file 1 offset 0" in shown
    assert simfs("explain", "unit.img", "--block", "16").exit_code == 2
    Path("chip").write_bytes(bytes(0x3000) + unit.read_bytes())
    moved = simfs("explain", "chip", "--block", "1").output
    assert moved.startswith("block 1: 0x4000 to 0x5000; ")
    assert all(line.startswith("0x4") for line in moved.splitlines()[1:])


def test_a_dump_with_the_address_of_the_store(simfs: Run, unit: Path) -> None:
    Path("chip").write_bytes(bytes(65536) + unit.read_bytes() + unit.read_bytes())
    assert "more than one store" in simfs("list", "chip").stderr
    for start in ("64KiB", "0x10000", "0x20000"):
        assert "/set.ini" in simfs("list", "chip", "--start", start).output
    assert "no store begins at 0x0" in simfs("list", "chip", "--start", "0x0").stderr


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (("build", "nowhere", "x.img"), "No such file or directory"),
        (("build", "files/set.ini", "x.img"), "Not a directory"),
        (("build", "files", "files/x.img"), "it would lie in the directory that it is made of"),
        (("build", "files", "no/x.img"), "there is no directory"),
        (("build", "files", "x.img", "--size", "3KiB"), "not a multiple of the erase block"),
        (("list", "nowhere"), "No such file"),
        (("list", "files"), "not a regular file; give an image of a store"),
        (("list", "files/set.ini"), "it holds no store"),
        (("verify", "files/set.ini"), "it holds no store"),
        (("explain", "files/set.ini"), "it holds no store"),
        (("extract", "files/set.ini", "out"), "it holds no store"),
        (("extract", "unit.img", "files"), "it is not empty"),
        (("extract", "unit.img", "files/set.ini"), "it is not a directory"),
        (("extract", "unit.img", "no/out"), "No such file or directory"),
        (("read", "unit.img", "/none"), "simfs image list"),
        (("read", "unit.img", "a\0b"), "can't hold a NUL"),
        (("list", "unit.img", "--start", "12"), "--start 12"),
        (("list", "unit.img", "--start", "0xzz"), "--start 0xzz"),
    ],
)
def test_bad_input_is_one_line(simfs: Run, unit: Path, arguments: tuple[str, ...], why: str) -> None:
    done = simfs(*arguments)
    assert done.exit_code == 2
    assert why in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""
    assert not Path("x.img").exists()


def test_json_has_what_the_text_has(simfs: Run, unit: Path) -> None:
    listed = json.loads(simfs("list", "unit.img", "--json").output)
    assert listed["image"] == "unit.img"
    assert listed["files"] == [{"name": "/log/a.csv", "size_bytes": 4400}, {"name": "/set.ini", "size_bytes": 10}]
    assert listed["file_bytes"] == 4410 < listed["live_bytes"] < listed["capacity_bytes"]
    verified = simfs("verify", "unit.img", "--json")
    assert verified.exit_code == 0
    sound = {"image": "unit.img", "sound": True, "problems": [], "damages": [], "doubts": []}
    assert json.loads(verified.output) == {**sound, "listing": listed}
    explained = json.loads(simfs("explain", "unit.img", "--json").output)
    assert explained["mounts"] is True
    assert (explained["damaged"], explained["may_be_older"]) == (False, False)
    assert [block["number"] for block in explained["blocks"]] == list(range(16))
    counted = Store.mount(NorFlash.from_image(unit.read_bytes()), read_only=True).blocks()
    assert [block["erase_count"] for block in explained["blocks"]] == [block.erase_count for block in counted]
    most = max(block.erase_count for block in counted)
    assert f"\nwear: each block was erased {most} time at most, as far as" in simfs("explain", "unit.img").output
    assert [(file["name"], file["size_bytes"], file["lost"]) for file in explained["files"]] == [
        ("/log/a.csv", 4400, []), ("/set.ini", 10, []),
    ]  # fmt: skip


def test_json_has_the_damage(simfs: Run, unit: Path) -> None:
    data = bytearray(unit.read_bytes())
    at = data.index(b"06:00") + 40
    data[at] ^= 1
    unit.write_bytes(data)
    verified = simfs("verify", "unit.img", "--json")
    assert verified.exit_code == 1
    found = json.loads(verified.output)
    assert found["sound"] is False
    assert found["listing"]["file_bytes"] == 4410
    (problem,), (damage,) = found["problems"], found["damages"]
    assert damage["begin"] <= at < damage["end"]
    assert problem.startswith(f"{damage['begin']:#x} to {damage['end']:#x}: {damage['what']}; hurt: /log/a.csv")
    assert (damage["names"], damage["maybe"]) == (["/log/a.csv"], [])
    explained = json.loads(simfs("explain", "unit.img", "--json").output)
    assert explained["damaged"] is True
    assert explained["damages"] == found["damages"]
    assert [(file["hurt"], file["lost"]) for file in explained["files"]] == [(True, [[0, 256]]), (False, [])]
    for action in ("verify", "explain"):
        text = simfs(action, "unit.img").output
        assert f"damaged: {problem}\n" in text
        assert ONE_IS_HURT in text.splitlines()[:2]


def test_all_places_are_addresses_in_the_dump(simfs: Run, unit: Path) -> None:
    """In words and as JSON, of what is torn, damaged and missing."""
    data, before = bytearray(unit.read_bytes()), 0x3000
    torn = data.index(b"level = 3\n") + 14
    data[torn : torn + 3] = b"\x11\x00\x05"
    Path("chip").write_bytes(bytes(before) + data)
    for action in ("verify", "explain"):
        assert f"torn: {before + torn:#x}: " in simfs(action, "chip").output
    assert json.loads(simfs("verify", "chip", "--json").output)["doubts"][0]["address"] == before + torn
    hurt = data.index(b"06:00") + 40
    data[hurt] ^= 1
    Path("chip").write_bytes(bytes(before) + data[:-500])
    found = json.loads(simfs("explain", "chip", "--json").output)
    (damage, missing), end = found["damages"], before + len(data)
    assert before <= damage["begin"] <= before + hurt < damage["end"] <= end
    assert (missing["begin"], missing["end"], missing["maybe"]) == (end - 500, end, ["/log/a.csv", "/set.ini"])
    assert (found["missing"], found["may_be_older"]) == ([[end - 500, end]], True)
    for one in (damage, missing):
        assert f"damaged: {one['begin']:#x} to {one['end']:#x}: " in simfs("explain", "chip").output
    assert f"\nmissing: {end - 500:#x} to {end:#x}: the file has no bytes there;" in simfs("explain", "chip").output
    assert f"of 4,096 bytes, {before:#x} to {end:#x}\n" in simfs("explain", "chip").output


def test_what_does_not_mount(simfs: Run, unit: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command says so, with the status of damage."""

    def refuse(*_: Any, **__: Any) -> None:
        raise CorruptStore("nothing of it can be read")

    monkeypatch.setattr(Store, "mount", refuse)
    verified = simfs("verify", "unit.img", "--json")
    assert verified.exit_code == 1
    found = json.loads(verified.output)
    assert (found["sound"], found["listing"], len(found["damages"])) == (False, None, 1)
    assert simfs("verify", "unit.img").output == f"damaged: it can't be mounted\ndamaged: {found['problems'][0]}\n"
    explained = json.loads(simfs("explain", "unit.img", "--json").output)
    assert (explained["mounts"], explained["damages"], explained["files"]) == (False, found["damages"], [])
    assert explained["why_not"] in found["problems"][0]
    for words in (("list", "unit.img", "--json"), ("read", "unit.img", "/set.ini"), ("extract", "unit.img", "out")):
        done = simfs(*words)
        assert (done.exit_code, done.stdout, done.stderr.count("\n")) == (1, "", 1)
        assert "can't be mounted" in done.stderr
    assert not Path("out").exists()


def test_one_block_is_no_json(simfs: Run, unit: Path) -> None:
    alone = simfs("explain", "unit.img", "--block", "0", "--json")
    assert alone.exit_code == 2
    assert "--block 0" in alone.stderr


def test_what_can_not_be_the_image_is_refused_before_anything_is_built(simfs: Run) -> None:
    """A FIFO or a device would be replaced by a regular file, as the administrator even below /dev."""
    os.mkfifo("pipe")
    for target, told in (
        ("pipe", "IMAGE pipe: it is not a regular file; name a file to write\n"),
        ("gone/unit.img", "IMAGE gone/unit.img: there is no directory "),
        ("", "IMAGE: the name is empty; name a file to write\n"),
    ):
        done = simfs("build", "files", target, *SIZE)
        assert (done.exit_code, done.stdout) == (2, "")
        assert done.stderr.startswith(told)
    assert Path("pipe").is_fifo()
    assert simfs("build", "", "unit.img", *SIZE).stderr == "DIRECTORY: the name is empty; give a directory of files\n"
