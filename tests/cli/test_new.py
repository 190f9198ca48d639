"""`simfs new`: a first scenario by options, or by the answers of somebody at a terminal."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.replay.scenario.load import load_scenario
from simfs.replay.starters.kinds import KINDS
from tests.support.command_line import talk


@pytest.fixture(autouse=True)
def _in_an_empty_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, [str(word) for word in words])


def test_it_writes_a_scenario_that_can_be_replayed_and_says_how() -> None:
    result = invoke("new", "logger")
    assert result.exit_code == 0, result.output
    assert result.stdout == "logger.toml is written. Replay it:\n\n  simfs run logger.toml\n"
    assert result.stderr == ""
    assert os.listdir() == ["logger.toml"]
    assert invoke("run", "logger.toml").exit_code == 0


def test_options_say_what_is_in_it() -> None:
    words = ("--every", "2minutes", "--keep", "0.5 d", "--text", "0x20", "--size", "0x80000", "--chip-size", "2MiB")
    result = invoke("new", "ring", "my ring.toml", *words, "--cycles", "10_000")
    assert result.exit_code == 0, result.output
    assert "simfs run 'my ring.toml'\n" in result.stdout
    found = load_scenario("my ring.toml")
    assert (found.chip.size, found.chip.rated_cycles, found.store.size) == (2 << 20, 10_000, 512 << 10)
    assert found.task[1].every == 120 * 10**9
    assert found.expect.table()["file_sizes"] == {"/ring": 360 * 32}


def test_a_reading_that_is_much_like_a_word_of_its_own_is_told() -> None:
    result = invoke("new", "logger", "a.toml", "--text", "{tiem},{zenith},{temperature}")
    assert result.exit_code == 0
    assert result.stderr == "a.toml: {tiem} is a reading, with its table [values.tiem]; did you mean time?\n"


def test_a_part_of_several_sizes_takes_one_of_them() -> None:
    assert invoke("new", "queue", "--part", "generic-built-in-serial", "--chip-size", "4 MiB").exit_code == 0
    assert load_scenario("queue.toml").chip.datasheet().size_bytes == 4 << 20


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "simfs new: it is not said what kind of device; give one of logger, settings, ring, events, queue"),
        (["loger"], 'simfs new: there is no kind "loger"; did you mean logger? known are logger, settings'),
        (["logger", "x.txt"], "x.txt: a scenario's name ends with .toml; write for example x.toml"),
        (["logger", "x.toml/"], "x.toml/: a scenario's name ends with .toml; write for example x.toml"),
        (["logger", "none/x.toml"], "none/x.toml: there is no directory none; create it first"),
        (["logger", "--part", "W25"], '--part W25: there is no part "W25"; '),
        (["logger", "--every", "5m"], '--every 5m: "5m": the unit m may be minutes or months; write min'),
        (
            ["ring", "--chip-size", "64MiB", "--size", "32MiB", "--text", "1MiB", "--keep", "100min"],
            "simfs new: task[0].operations[0].size would be wrong",
        ),
        (["logger", "--size", "5000 B"], '--size 5000 B: "5000 B" is not whole erase blocks of 4 KiB; write'),
        (["logger", "--chip-size", "1 GiB"], '--chip-size 1 GiB: "1 GiB" is no size of a chip; write 32 KiB to'),
        (["logger", "--cycles", "5"], "--cycles: W25Q32JV has its own, 100,000; leave it out"),
        (["logger", "--chip-size", "1MiB", "--cycles", "many"], '--cycles many: "many" is no number of erases; '),
        (["logger", "--part", "generic", "--chip-size", "1MiB"], "--chip-size 1MiB: generic comes with 4 MiB; write"),
        (["logger", "--text", ""], "--text : it is empty; write a text, or a size"),
        (["logger", "--text", "{a"], "--text {a: a brace at character 1 is wrong; write"),
        (["logger", "--keep", "5 years", "--every", "1 s"], "--keep 5 years: 157,788,000 records of 28 bytes are more"),
        (["settings", "--keep", "5 days"], "--keep: it is for what grows old, and settings replace each other; leave"),
        (["settings", "--text", "100 KiB"], "--text 100 KiB: 1 record of 102,400 bytes is more than the store has"),
    ],
)
def test_what_is_wrong_is_one_line_and_writes_nothing(words: list[str], says: str) -> None:
    result = invoke("new", *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith(says), result.stderr
    assert result.stderr.count("\n") == 1
    assert os.listdir() == []


def test_it_never_writes_over_a_file_unasked() -> None:
    Path("logger.toml").write_text("mine")
    result = invoke("new", "logger")
    assert result.exit_code == 2
    assert result.stderr == "logger.toml: it is there already; name another file, or add --overwrite\n"
    assert Path("logger.toml").read_text() == "mine"
    assert invoke("new", "logger", "--overwrite").exit_code == 0
    assert load_scenario("logger.toml").title


def test_what_is_no_file_is_not_written_over() -> None:
    os.mkdir("logger.toml")
    Path("away.toml").symlink_to("nowhere")
    for name in ("logger.toml", "away.toml"):
        result = invoke("new", "logger", name, "--overwrite")
        assert (result.exit_code, result.stderr) == (2, f"{name}: it is not a regular file; name a file to write\n")


def test_on_a_terminal_it_asks_and_asks_again_after_a_wrong_answer(tmp_path: Path) -> None:
    chip = ["W25", "6MB", "8MiB", "lots", "50,000"]
    shown, status = talk(
        ["new"], ["rng", "ring", *chip, "5 kb", "512KiB", "5m", "", "text", "32 B", "100 years", "12 h"], tmp_path
    )
    assert status == 0, shown
    for kind in KINDS.values():
        assert f"{kind.name:10}{kind.about}" in shown
    errors = [line.removeprefix("Error: ") for line in shown.splitlines() if line.startswith("Error: ")]
    beginnings = [
        'there is no kind "rng"; did you mean ring?',
        'there is no part "W25"',
        '"6MB": the unit MB may be',
        '"lots" is no number of erases',
        '"5 kb": there is no unit kb for a size; did you mean KiB?',
        '"5m": the unit m may be minutes or months',
        '"text" is not a size',
        "10,519,200 records of 32 bytes are more than the store has, 512 KiB",
    ]
    assert len(errors) == len(beginnings), shown
    for error, beginning in zip(errors, beginnings, strict=True):
        assert error.startswith(beginning)
    found = load_scenario("ring.toml")
    assert (found.chip.size, found.chip.rated_cycles, found.store.size) == (8 << 20, 50_000, 512 << 10)
    assert found.expect.table()["file_sizes"] == {"/ring": 144 * 32}


def test_on_a_terminal_it_asks_before_it_writes_over_a_file(tmp_path: Path) -> None:
    Path("logger.toml").write_text("mine")
    shown, status = talk(["new", "logger"], ["n"], tmp_path)
    assert (status, Path("logger.toml").read_text()) == (2, "mine")
    assert shown.endswith("logger.toml: it stays as it is; name another file\n")
    assert talk(["new", "logger", "--every", "1h"], ["y"], tmp_path)[1] == 0
    assert load_scenario("logger.toml").task[0].every == 3600 * 10**9


def test_whoever_stops_answering_gets_no_file(tmp_path: Path) -> None:
    shown, status = talk(["new", "logger"], ["", "\x04"], tmp_path)
    assert (status, os.listdir()) == (130, []), shown
