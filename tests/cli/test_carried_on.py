"""Recordings as gates: the expectations of a device hold for them, and they are carried on over years."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.replay.device.clock import NS_PER_DAY
from tests.support.console_text import console, text_of

DEVICE = """
[chip]
size = "64 KiB"
[run]
duration = "2 d"
[[task]]
name = "unused"
every = "1 h"
operations = [{ do = "append", file = "/log.csv", size = "20 B" }]
[expect]
"""
HOUR_S = 3600
TRACE = (
    f'1 5.0 creat("/d/a", 0644) = 3</d/a>\n1 6.0 write(3</d/a>, "abc", 3) = 3\n1 {5 + HOUR_S}.0 +++ exited with 0 +++\n'
)
LOG = text_of(console("boot", "open 3 w /a", "write 3 3 616263", "close 3"))


@pytest.fixture(params=[TRACE, LOG], ids=["system calls", "console"])
def recording(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = Path("recording.txt")
    path.write_text(request.param)
    return path


def simfs(*words: object) -> Result:
    return CliRunner().invoke(commands, [str(word) for word in words])


@pytest.mark.parametrize(
    ("expect", "status"),
    [("file_sizes = { '/a' = '3 B' }", 0), ("file_sizes = { '/a' = '4 B' }", 1), ("files_absent = ['/a']", 1), ("", 0)],
)
def test_what_the_device_expects_is_judged(recording: Path, expect: str, status: int) -> None:
    Path("device.toml").write_text(DEVICE + expect)
    result = simfs("run", recording, "--device", "device.toml")
    assert result.exit_code == status, result.output
    assert ("NOT MET" in result.stdout) == bool(status)
    assert ("expected" in result.stdout) == bool(expect)


def test_a_recording_is_carried_on(recording: Path) -> None:
    whole = json.loads(simfs("run", recording, "--json").stdout)
    often = json.loads(simfs("run", recording, "--json", "--repeat", "3").stdout)
    assert often["subject"]["operations"] == 3 * whole["subject"]["operations"]
    assert often["subject"]["title"].endswith(", 3 times")
    assert often["amplification"]["host_bytes"] == 9


def test_the_device_takes_longer_than_the_host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    half_s = 5 + HOUR_S // 2
    synced = f'1 {half_s}.0 write(3</d/a>, "abc", 3) = 3\n1 {half_s}.0 fsync(3</d/a>) = 0\n'
    Path("trace").write_text(TRACE.replace('1 6.0 write(3</d/a>, "abc", 3) = 3\n', synced))
    words = ("run", "trace", "--json", "--takes", "10 h")
    once = json.loads(simfs(*words).stdout)
    assert once["subject"]["duration_ns"] // 10**9 == 10 * HOUR_S
    assert once["room"]["live_max_at_ns"] // 10**9 == 5 * HOUR_S
    twice = json.loads(simfs(*words, "--repeat", "2").stdout)
    assert twice["subject"]["duration_ns"] // 10**9 == 20 * HOUR_S
    Path("trace").write_text('1 5.0 creat("/d/a", 0644) = 3</d/a>\n')
    assert simfs("run", "trace", "--takes", "1 h").stderr.startswith("trace: no time passes in it, so it can't take")


def test_the_directory_may_be_given_as_seen_from_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "d").mkdir()
    monkeypatch.chdir(tmp_path)
    Path("trace").write_text(TRACE.replace("/d/", f"{tmp_path}/d/"))
    assert simfs("run", "trace", "--directory", "d").exit_code == 0
    missed = simfs("run", "trace", "--directory", "e")
    assert (missed.exit_code, missed.stderr.count("\n")) == (2, 1)
    assert f"no call in it concerns {tmp_path}/e; files are opened for writing in {tmp_path}/d; " in missed.stderr


def test_wear_over_months(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("trace").write_text(TRACE)
    Path("device.toml").write_text(DEVICE + 'erases_max = 1000\nlife_min = "100 years"')
    result = simfs("run", "trace", "--device", "device.toml", "--for", "60 d", "--json")
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert report["subject"]["duration_ns"] == 60 * NS_PER_DAY
    assert report["amplification"]["host_bytes"] == 3 * 60 * 24
    assert report["flash_work"]["erases"] > 10
    Path("device.toml").write_text(DEVICE + "erases_max = 10")
    assert simfs("run", "trace", "--device", "device.toml", "--for", "60 d").exit_code == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--repeat", "2", "--for", "1 d"], "--repeat and --for: each says how long the recording goes on; give one"),
        (["--for", "1 x"], "--for 1 x: "),
        (["--for", "0 s"], "--for 0 s: this is no time; write for example 30 d"),
        (["--repeat", "1000000000"], "recording.txt: its "),
        (["--for", "10000000 years"], "recording.txt: its "),
    ],
)
def test_bad_lengths_are_one_line(recording: Path, words: list[str], says: str) -> None:
    result = simfs("run", recording, *words)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (2, "", 1), result.output
    assert says in result.stderr


def test_a_scenario_has_its_own_length(tmp_path: Path) -> None:
    path = tmp_path / "device.toml"
    path.write_text(DEVICE)
    for words in (["--repeat", "2"], ["--for", "1 d"]):
        result = simfs("run", path, *words)
        assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
        assert f"{words[0]}: it is for recordings" in result.stderr
