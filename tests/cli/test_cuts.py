"""`simfs cuts`, through click's runner and as a program of its own."""

import json
import os
import pty
import shlex
import signal
import subprocess
import sys
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.files.heard import FileCall
from simfs.study.cuts.notes.durability import Persistence
from simfs.study.cuts.notes.history import Event
from tests.support.command_line import program
from tests.support.places import ROOT

SCENARIO = """\
title = "A small device"
[chip]
size = "8 KiB"
block = "1 KiB"
page = "64 B"
[store]
buffer = "64 B"
[run]
duration = "1 h"
[[task]]
name = "dial"
every = "20 min"
operations = [{ do = "write", file = "/set", text = "volume={counter}\\n" }]
"""
# As strace writes it, invented: settings saved anew, renamed before they are closed.
RECORDING = """\
100 1922313600.000100 openat(AT_FDCWD</home/dev>, "/data/new", O_WRONLY|O_CREAT|O_TRUNC, 0666) = 3</data/new>
100 1922313600.000200 write(3</data/new>, "volume=3\\n", 9) = 9
100 1922313600.000300 rename("/data/new", "/data/set") = 0
100 1922313600.000400 close(3</data/set>) = 0
100 1922313600.000500 +++ exited with 0 +++
"""


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, ["cuts", *map(str, words)])


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SCENARIO)
    return path


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "save.strace"
    path.write_text(RECORDING)
    return path


def test_every_operation_is_cut_and_the_report_says_what_the_firmware_finds(scenario: Path) -> None:
    result = invoke(scenario)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "A small device scenario" in text
    assert "Power cut at every operation, fault profile program-contained:" in text
    assert '! /set is emptied by open with "w" and stays empty until its close. Seen in 2 of 3 changes' in text
    assert result.stderr == ""


def test_json_is_one_object_with_the_same_figures(scenario: Path) -> None:
    found = json.loads(invoke(scenario, "--json").stdout)
    assert found["subject"]["places"] == {"every": "operation", "sample": None, "seed": None, "only": None, "depth": 1}
    assert found["states"] == found["consequences"]["states"] == sum(found["states_by_cut"].values())
    assert [file["name"] for file in found["consequences"]["files"]] == ["/set"]
    assert found["broken"] == []
    shown = invoke(scenario).stdout
    share = 100 * found["consequences"]["files"][0]["states"]["empty"] / found["states"]
    assert f"{share:.1f}" in shown
    assert f"{found['states']:,} states" in shown


def test_bytes_and_bits_are_more_places_than_operations(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('"1 h"', '"10 min"'))
    told = {
        every: json.loads(invoke(scenario, "--json", "--every", every, "--workers", 2).stdout)
        for every in ("operation", "byte", "bit")
    }
    assert told["operation"]["states"] < told["byte"]["states"] < told["bit"]["states"]
    assert set(told["bit"]["states_by_cut"]) == {"program: bits"}


def test_a_sample_is_the_same_for_the_same_seed(scenario: Path) -> None:
    def sample(seed: int) -> str:
        return invoke(scenario, "--sample", 20, "--seed", seed, "--json").stdout

    assert sample(3) == sample(3)
    found = json.loads(sample(3))
    assert found["states"] == 20
    assert found["states_by_cut"] != json.loads(sample(5))["states_by_cut"]


def test_recoveries_are_cut_too(scenario: Path) -> None:
    one, two = (json.loads(invoke(scenario, "--json", "--sample", 10, "--depth", depth).stdout) for depth in (1, 2))
    assert two["states"] > one["states"] == 10
    assert two["states_by_cut"]["in a recovery"] == two["states"] - 10


def test_one_cut_alone_names_what_it_interrupts(scenario: Path) -> None:
    found = json.loads(invoke(scenario, "--only", "4:bytes=3", "--json").stdout)
    assert (found["states"], found["in_flight"]["operation"]) == (1, 4)
    assert found["in_flight"]["file_call"]["kind"] in ("open", "close")
    assert "Power cut once, at 4:bytes=3: in a program of" in invoke(scenario, "--only", "4:bytes=3").stdout


def test_a_recording(recording: Path) -> None:
    result = invoke(recording, "--size", "64KiB")
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "recording" in text
    assert "another file is renamed to /set while bytes of it still wait in its buffer" in text


def test_a_short_run_in_one_line() -> None:
    case = "6x512 page=64; buffer_bytes=32 name_bytes=12; open #1 /a w; write #1 end 8; close #1; rename /a /b"
    found = json.loads(invoke("--case", case, "--json").stdout)
    assert found["subject"]["kind"] == "short run"
    assert {file["name"] for file in found["consequences"]["files"]} == {"/a", "/b"}


def test_a_violation_ends_with_1_and_its_lines_repeat_it(
    scenario: Path, recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rule is made to promise more than the store does: that what a write was given is durable at once."""
    as_it_is = Persistence._write

    def at_once(rule: Persistence, call: FileCall) -> Iterator[Event]:
        yield from as_it_is(rule, call)
        yield from rule._spill(rule._opened[call.handle])

    monkeypatch.setattr(Persistence, "_write", at_once)
    for words in ((scenario,), (recording, "--size", "64KiB", "--strict")):
        result = invoke(*words, "--workers", 1)
        assert result.exit_code == 1, result.output
        assert "break a promise of the store" in result.stdout
        lines = [line.strip() for line in result.stdout.splitlines() if line.strip().startswith("simfs cuts ")]
        assert lines[0].startswith(shlex.join(["simfs", "cuts", *map(str, words[:1])]))
        assert lines[1].startswith("simfs cuts --case '")
        assert "shortest: 3 file calls" in result.stdout  # open, write, close
        for line in lines:
            again = invoke(*shlex.split(line)[2:])
            assert again.exit_code == 1, again.output
            assert "! 1 state breaks a promise" in again.stdout


def test_the_profile_is_in_the_line_to_paste_and_one_case_of_a_kind_is_shrunk(
    scenario: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rule is made to deny what a close acknowledges."""
    monkeypatch.setattr(Persistence, "_close", lambda rule, call: iter(()))
    scenario.write_text(SCENARIO.replace('"1 h"', '"3 h"'))
    found = json.loads(invoke(scenario, "--json", "--profile", "page-contained").stdout)
    of_a_kind = [one for one in found["broken"] if one["promise"] == "contents"]
    assert len(of_a_kind) > 1
    assert [one["short"] is not None for one in of_a_kind] == [True] + [False] * (len(of_a_kind) - 1)
    lines = [of_a_kind[0]["short"]["repeat"], *(one["repeat"] for one in of_a_kind)]
    assert all(line.split(" --only ")[0].endswith("--profile page-contained") for line in lines)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "simfs: there is nothing to cut; give a scenario, a script, a recording or --case"),
        (["nowhere.toml"], "nowhere.toml: No such file or directory; give"),
        (["scenarios/doorbell.txt"], "scenarios/doorbell.txt: it is not a recording; give a scenario"),
        (["scenarios/settings.toml", "--only", "x"], "--only x: 'x' names no cut; right would be, for example, 123:"),
        (["scenarios/settings.toml", "--every", "page"], "'page' is not one of 'operation', 'byte', 'bit'"),
        (["scenarios/settings.toml", "--every", "bit", "--sample", "9"], "--every: --sample says already where to cut"),
        (["scenarios/settings.toml", "--only", "1:all", "--sample", "9"], "--sample: --only says already where to cut"),
        (["scenarios/settings.toml", "--only", "1:all", "--depth", "2"], "--depth: --only names every cut itself"),
        (["scenarios/settings.toml", "--seed", "9"], "--seed: it is for --sample and --lives; add one"),
        (["scenarios/settings.toml", "--lives", "3", "--sample", "9"], "--lives: --sample says already where to cut"),
        (["scenarios/settings.toml", "--lives", "3", "--depth", "2"], "--depth: --lives cuts recoveries anyway"),
        (["scenarios/settings.toml", "--lives", "0"], "0 is not in the range"),
        (
            ["scenarios/doorbell.toml", "--lives", "3", "--profile", "page-contained"],
            "--lives: in the profile page-contained this store may lose what was acknowledged",
        ),
        (["scenarios/settings.toml", "--sample", "0"], "0 is not in the range"),
        (["scenarios/settings.toml", "--workers", "0"], "0 is not in the range"),
        (["scenarios/settings.toml", "--profile", "bad"], "'bad' is not one of 'program-contained', 'page-contained'"),
        (["scenarios/settings.toml", "--part", "generic"], "--part: it is for recordings"),
        (["scenarios/settings.toml", "--case", "6x512"], "--case: scenarios/settings.toml is given as well"),
        (["--case", "6x512", "--strict"], "--strict: it is for recordings, and --case is none"),
        (["--case", "walk"], "--case: "),
        (["--case", "6x512 page=64; ; walk /a"], "--case: "),
    ],
)  # fmt: skip
def test_bad_input_ends_with_2_and_one_line(words: list[str], says: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    result = invoke(*words)
    if isinstance(result.exception, SystemExit) and result.exit_code == 2 and "Usage:" in result.stderr:
        result = program("cuts", *words)  # click's own errors are put on one line by the program
        assert result.returncode == 2
    else:
        assert result.exit_code == 2, result.output
    assert result.stdout == ""
    [line] = result.stderr.splitlines()
    assert says in line


@pytest.mark.parametrize(
    ("token", "says"),
    [
        ("9999:all", "--only 9999:all: the run has "),
        ("4:bytes=9999", "--only 4:bytes=9999: "),
        ("4:rising=7", "--only 4:rising=7: a program can't leave 'rising 7'; it can leave nothing, bytes N"),
        ("4:all/99:all", "--only 4:all/99:all: the recovery has "),
    ],
)
def test_a_cut_that_the_run_does_not_have(scenario: Path, token: str, says: str) -> None:
    result = invoke(scenario, "--only", token)
    assert (result.exit_code, result.stdout) == (2, ""), result.output
    assert result.stderr.startswith(says)
    assert len(result.stderr.splitlines()) == 1


def test_a_run_that_changes_nothing_has_nothing_to_cut(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('do = "write"', 'do = "read"').replace(', text = "volume={counter}\\n"', ""))
    result = invoke(scenario)
    assert result.exit_code == 2
    says = "it programs and erases nothing, so there is nothing to cut; write files in it"
    assert result.stderr == f"{scenario}: {says}\n"


def test_more_places_than_a_campaign_can_take_are_refused(scenario: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("simfs.cli.cuts_command.PLACES_MAX", 20)
    result = invoke(scenario)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("--every operation: this run has more than 20 places to cut; draw some of them")


def test_help_is_short() -> None:
    result = invoke("--help")
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines())) <= 100


def test_a_bar_for_a_terminal_and_stopped_by_the_user_is_130(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('"1 h"', '"4 d"'))
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (50, 100))
    command = [sys.executable, "-m", "simfs", "cuts", str(scenario), "--every", "byte"]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=theirs, start_new_session=True)
    os.close(theirs)
    seen = b""
    try:
        while b"to go" not in seen:
            seen += os.read(ours, 1000)
    finally:
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does it: the workers get it too
        output, _ = process.communicate(timeout=30)
    while b"stopped" not in seen:
        seen += os.read(ours, 1000)
    os.close(ours)
    assert (process.returncode, output) == (130, b"")
    assert b"Traceback" not in seen


def test_a_film_shows_the_one_cut_that_is_named(scenario: Path, tmp_path: Path) -> None:
    film = tmp_path / "cut.html"
    done = invoke(scenario, "--only", "7:bits=half", "--film", film)
    assert (done.exit_code, "then the power is cut" in film.read_text()) == (0, True)
    for words, said in (
        (["--film", film], "--film: it shows one cut; name it, as a report does, with --only, or leave --film out\n"),
        (["--only", "7:all", "--film", scenario], f"--film {scenario}: this is the input; name another file\n"),
        (
            ["--only", "7:all", "--film", film, "--sheet", film],
            f"--film {film}: --sheet writes this file; name another one\n",
        ),
    ):
        refused = invoke(scenario, *words)
        assert (refused.exit_code, refused.output) == (2, said)
