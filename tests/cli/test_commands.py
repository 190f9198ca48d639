"""The commands, through click's runner and as a program of their own."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.flash.parts import PARTS
from simfs.show import WHOSE
from tests.support.command_line import program
from tests.support.places import ROOT

SCENARIO = """\
title = "A small device"
[chip]
size = "64 KiB"
[run]
duration = "2 d"
[[task]]
name = "gauge"
every = "6 min"
[[task.operations]]
do = "append"
file = "/tide.csv"
size = "20 B"
"""
# Recorded with strace -f -y -ttt -s 1048576 -x of `echo` into a file, shortened and moved to invented paths.
RECORDING = """\
100 1922313600.000100 openat(AT_FDCWD</home/dev>, "/data/log.txt", O_WRONLY|O_CREAT|O_APPEND, 0666) = 3</data/log.txt>
100 1922313600.000200 write(3</data/log.txt>, "hello\\n", 6) = 6
100 1922313600.000300 close(3</data/log.txt>) = 0
100 1922313600.000400 +++ exited with 0 +++
"""


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, [str(word) for word in words])


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SCENARIO)
    return path


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "echo.strace"
    path.write_text(RECORDING)
    return path


def expecting(scenario: Path, table: str) -> Path:
    scenario.write_text(f"{SCENARIO}[expect]\n{table}\n")
    return scenario


def test_run_reports_and_ends_with_0(scenario: Path) -> None:
    result = invoke("run", scenario)
    assert result.exit_code == 0, result.output
    # Two days, ten times an hour, the first at the start: 480 or 481 appends of 20 bytes.
    assert "2 days of device time from 2031-01-01 on, 480 operations" in " ".join(result.stdout.split())
    assert "9.38 KiB" in result.stdout  # 480 * 20 = 9600 bytes
    assert WHOSE in result.stdout
    assert result.stderr == ""


def test_what_has_no_effect_is_told_beside_the_report(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace("[[task]]", "[values.level]\nmean = 2.0\n[[task]]"))
    result = invoke("run", scenario, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["subject"]["operations"] == 480
    assert result.stderr.startswith(f"warning: {scenario}:6: values.level: no text writes {{level}}, so this has no")
    assert result.stderr.count("\n") == 1


def test_a_command_that_carries_a_scenario_on_tells_it_too(scenario: Path) -> None:
    unread = "[values.level]\nmean = 2.0\n[[task]]\nname = 'late'\nevery = '1 d'\nfirst = '3 d'\noperations = "
    operation = "[{ do = 'write', file = '/set', size = '900 B' }]\n"
    scenario.write_text(SCENARIO.replace("[[task]]", f"{unread}{operation}[[task]]"))
    varied = invoke("sweep", scenario, "--vary", "store.seed=1", "--workers", "1")
    assert [line.split(": ")[2] for line in varied.stderr.splitlines()] == ["values.level", "task[0].first"]
    mounted = invoke("mount", scenario, "no-such-directory").stderr.splitlines()
    assert [line.split(": ")[2] for line in mounted[:-1]] == ["values.level"]
    carried = invoke("life", scenario, "--quick")  # goes on beyond the end of the run
    assert [line.split(": ")[2] for line in carried.stderr.splitlines()] == ["values.level"]


def test_json_is_one_object_with_the_same_figures(scenario: Path) -> None:
    found = json.loads(invoke("run", scenario, "--json").stdout)
    assert found["subject"]["operations"] == 480
    assert found["amplification"]["host_bytes"] == 9600
    assert found["flash_work"]["erases"] == sum(found["wear"]["erases_in_run"])


def test_an_expectation_that_is_not_met_ends_with_1(scenario: Path) -> None:
    met = invoke("run", expecting(scenario, "refused_max = 0"))
    assert (met.exit_code, "NOT MET" in met.stdout) == (0, False)
    unmet = invoke("run", expecting(scenario, 'write_stall_max = "1 us"'))
    assert unmet.exit_code == 1
    assert "! NOT MET   write_stall_max" in unmet.stdout
    assert json.loads(invoke("run", scenario, "--json").stdout)["expectations"][0]["met"] is False


def test_every_fault_of_a_scenario_on_a_line_of_its_own(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('"6 min"', '"6 m"').replace('"64 KiB"', '"64 KB"'))
    result = program("run", scenario)
    assert (result.returncode, result.stdout) == (2, "")
    lines = result.stderr.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith(f"{scenario}:3: chip.size: ")
    assert lines[1].startswith(f"{scenario}:8: task[0].every: ")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["run", ""], "FILE: the name is empty; give a scenario, a script or a recording"),
        (["run"], "simfs: Missing argument 'FILE'"),
        (["run", "nowhere.toml"], "nowhere.toml: No such file or directory; give"),
        (["run", "nowhere.txt"], "nowhere.txt: No such file or directory; give"),
        (["run", "."], ".: it is not a regular file"),
        (["run", "/dev/zero"], "/dev/zero: it is not a regular file"),
        (["run", "pyproject.toml", "--part", "generic"], "--part: it is for recordings"),
        (["run", "DEVELOPERS.md"], "DEVELOPERS.md: it is not a recording; give a scenario"),
        (["run", "DEVELOPERS.md", "--save-image", "/nowhere/x"], "there is no directory /nowhere; create it first"),
        (["run", "DEVELOPERS.md", "--save-image", "simfs"], "--save-image simfs: it is not a regular file"),
        (["run", "DEVELOPERS.md", "--save-image", "./DEVELOPERS.md"], "this is the input; name another file"),
        (["run", "DEVELOPERS.md", "--no-such"], "No such option"),
        (["walk"], "No such command"),
    ],
)
def test_bad_input_ends_with_2_and_one_line(words: list[str], says: str) -> None:
    result = program(*words)
    assert (result.returncode, result.stdout) == (2, "")
    assert len(result.stderr.splitlines()) == 1
    assert says in result.stderr


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("unit.bin", b"\xff" * 99, "it is no text; `simfs image explain` looks into an image"),
        ("unit", b"title\0", "it is no text; `simfs image explain` looks into an image"),
        ("small.TOML", SCENARIO.encode(), "it reads like a scenario, but its name does not end with .toml; rename it"),
        ("empty", b"", "it is not a recording; give a scenario (.toml), a script (.py), what strace"),
    ],
)
def test_what_is_no_recording_is_told_what_it_seems_to_be(tmp_path: Path, name: str, content: bytes, says: str) -> None:
    (tmp_path / name).write_bytes(content)
    result = invoke("run", tmp_path / name)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith(f"{tmp_path / name}: {says}")


def test_hostile_names_in_a_fault_stay_on_one_line_and_plain(tmp_path: Path) -> None:
    result = program("run", "no\nwhere\x1b[2J.toml")
    assert (
        result.stderr
        == "no\\nwhere\\x1b[2J.toml: No such file or directory; give a scenario, a script or a recording\n"
    )


def test_save_image_keeps_the_flash(scenario: Path, tmp_path: Path) -> None:
    image = tmp_path / "flash.bin"
    image.write_bytes(b"older")
    assert invoke("run", scenario, "--save-image", image).exit_code == 0
    assert image.stat().st_size == 64 * 1024
    assert sorted(os.listdir(tmp_path)) == ["flash.bin", "small.toml"]

    from simfs import NorFlash, Store

    store = Store.mount(NorFlash.from_image(image.read_bytes()), read_only=True)
    assert store.stat("/tide.csv").size_bytes == 9600


def test_image_that_cannot_be_written_is_a_fault_after_the_report(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    result = invoke("run", scenario, "--save-image", tmp_path / "flash.bin")
    assert result.exit_code == 2
    assert WHOSE in result.stdout
    assert "No space left on device; no image was written" in result.stderr
    assert os.listdir(tmp_path) == ["small.toml"]


def test_recording(recording: Path) -> None:
    result = invoke("run", recording, "--json")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert (found["subject"]["kind"], found["subject"]["part"]) == ("recording", "generic")
    assert found["amplification"]["host_bytes"] == 6


def test_recording_on_a_part_and_with_a_size(recording: Path) -> None:
    words = ("run", recording, "--json", "--directory", "/data", "--part", "W25Q32JV", "--size", "1MiB")
    found = json.loads(invoke(*words).stdout)["subject"]
    assert (found["part"], found["block_count"]) == ("W25Q32JV", 256)


def test_recording_on_the_device_of_a_scenario(recording: Path, scenario: Path) -> None:
    found = json.loads(invoke("run", recording, "--json", "--device", scenario).stdout)["subject"]
    assert found["block_count"] == 16


def test_the_device_of_a_recording_needs_no_tasks(recording: Path, scenario: Path, tmp_path: Path) -> None:
    device = tmp_path / "device.toml"
    device.write_text('[chip]\npart = "W25Q32JV"\n[store]\nsize = "256 KiB"\n[expect]\nfile_count_max = 0\n')
    done = invoke("run", recording, "--json", "--device", device)
    assert (json.loads(done.stdout)["subject"]["block_count"], done.exit_code) == (64, 1)
    (tmp_path / "files").mkdir()
    assert invoke("image", "build", tmp_path / "files", tmp_path / "new.bin", "--device", device).exit_code == 0
    for command in (("run",), ("life",), ("cuts",), ("sweep", "--vary", "store.size=1MiB"), ("compare", scenario)):
        refused = invoke(*command, device)
        assert refused.exit_code == 2
        assert refused.stderr == (
            f"{device}:1: task: it describes a device and no work; write [[task]] and [run], or give it to a recording "
            "with --device\n"
        ), command


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--part", "X"], "--part X: there is no such part in the catalogue; known are IS25"),
        (
            ["--part", "genric"],
            "--part genric: there is no such part in the catalogue; did you mean generic? known are",
        ),
        (["--size", "1 MB"], "--size 1 MB: "),
        (["--size", "5000 B"], "--size 5000 B: it is not a multiple of the erase block of generic, 4096 bytes"),
        (["--size", "8 MiB"], "--size 8 MiB: generic has 4 MiB, and all of them are free; write at most that"),
        (["--directory", "data"], "no call in it concerns "),
        (["--device", "nowhere.toml"], "nowhere.toml: No such file"),
        (["--device", "x.toml", "--size", "1 MiB"], "--size: x.toml gives it already"),
    ],
)
def test_bad_options_of_a_recording(recording: Path, words: list[str], says: str) -> None:
    result = invoke("run", recording, *words)
    assert result.exit_code == 2, result.output
    assert says in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_a_line_that_cannot_be_read_is_shown_and_strict_refuses_it(recording: Path) -> None:
    recording.write_text(RECORDING + "100 1922313600.0005 ?? what is this\n")
    lenient = invoke("run", recording)
    assert lenient.exit_code == 0
    assert "! not replayed" in lenient.stdout
    strict = invoke("run", recording, "--strict")
    assert strict.exit_code == 2
    assert "line 5" in strict.stderr


def test_script_that_fails_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "device.py"
    path.write_text("def store():\n    return 1 / 0\ndef run(device):\n    pass\n")
    result = program("run", path)
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith(f"{path}:2: ")
    assert len(result.stderr.splitlines()) == 1


def test_a_flash_that_holds_no_store_at_the_end_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "device.py"
    path.write_text(
        "from simfs import NorFlash, Store\n"
        "def store():\n    return Store.format(NorFlash(block_count=16))\n"
        "def run(device):\n    for block in range(16):\n        device.flash.erase(block)\n"
    )
    result = program("run", path)
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith(f"{path}: ")
    assert len(result.stderr.splitlines()) == 1


def test_schema_is_a_json_schema_of_scenarios() -> None:
    schema = json.loads(invoke("schema").stdout)
    assert {"chip", "store", "task", "expect"} <= set(schema["properties"])


def test_parts_lists_every_part_once() -> None:
    lines = invoke("parts").stdout.splitlines()
    table = lines[2 : lines.index("")]
    assert [line.split()[0] for line in table] == list(PARTS)
    assert max(map(len, table)) <= 100


def test_help_of_every_command_is_short() -> None:
    for words in ([], ["run"], ["schema"], ["parts"]):
        result = invoke(*words, "--help")
        assert result.exit_code == 0
        assert max(map(len, result.stdout.splitlines())) <= 100


def test_help_loads_no_library_that_it_does_not_need() -> None:
    code = (
        "import sys, simfs.cli as cli\n"
        "try: cli.commands.main(['--help'])\n"
        "except SystemExit: pass\n"
        "print([name for name in ('pydantic', 'construct', 'tabulate', 'tqdm') if name in sys.modules])"
    )
    result = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert result.stdout.splitlines()[-1] == "[]"


def test_a_reader_may_go_away(scenario: Path) -> None:
    command = f"'{sys.executable}' -m simfs run '{scenario}' | true; echo ${{PIPESTATUS[0]}}"
    result = subprocess.run(["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert result.stdout.strip() in ("0", "141")
    assert result.stderr == ""


def test_output_that_cannot_be_written_is_one_line(scenario: Path) -> None:
    with open("/dev/full", "w") as full:
        command = [sys.executable, "-m", "simfs", "run", str(scenario)]
        result = subprocess.run(command, cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60)
    assert result.returncode == 2
    assert result.stderr == "standard output: No space left on device\n"


def test_a_terminal_without_utf_8_still_shows_the_report(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace("A small device", "Gerät"))
    command = [sys.executable, "-m", "simfs", "run", str(scenario)]
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    result = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=60)
    assert result.returncode == 0
    assert "Ger\\xe4t\n" in result.stdout


def _cpu_s(pid: int) -> float:
    """Processor time of a process so far: how far it is does not depend on what else runs."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def test_stopped_by_the_user_is_one_line_and_130(scenario: Path, tmp_path: Path) -> None:
    scenario.write_text(SCENARIO.replace('"2 d"', '"20 years"').replace("append", "write"))
    words = [sys.executable, "-m", "simfs", "run", str(scenario), "--save-image", str(tmp_path / "flash.bin")]
    process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    while _cpu_s(process.pid) < 1.5:  # long enough for a bar, had there been a terminal
        assert process.poll() is None
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=30)
    assert (process.returncode, output, errors) == (130, "", "simfs: stopped\n")
    assert os.listdir(tmp_path) == ["small.toml"]


def test_refusals_that_nobody_expects_end_with_1(scenario: Path) -> None:
    scenario.write_text(scenario.read_text().partition("[expect]")[0].replace("20 B", "2 KiB"))
    result = invoke("run", scenario)
    assert result.exit_code == 1
    told = " ".join(result.stdout.split())
    assert "The files do not fit: the store is full on 2031-01-0" in told
    assert "! NOT MET refused_max" in told
    assert json.loads(invoke("run", scenario, "--json").stdout)["verdict"] in told


def test_a_device_that_asks_for_too_much_ends_with_1(scenario: Path) -> None:
    text = scenario.read_text().replace('"2 d"', '"100 ms"').replace('"6 min"', '"50 us"')
    scenario.write_text(text)
    result = invoke("run", scenario)
    assert result.exit_code == 1
    assert "asks for more than its flash can do: the work of 100 ms takes" in " ".join(result.stdout.split())
    assert "energy in the run" in result.stdout
    assert "energy a day" not in result.stdout
    scenario.write_text(f'{text.partition("[expect]")[0]}[expect]\nlate_max = "1 min"\n')
    assert invoke("run", scenario).exit_code == 0


def test_the_report_says_where_the_store_begins(scenario: Path) -> None:
    scenario.write_text(scenario.read_text().replace("[run]", '[store]\nstart = "16 KiB"\n[run]'))
    assert "from 16 KiB on; store:" in " ".join(invoke("run", scenario).stdout.split())
