"""Progress on a real terminal: what each command says it does, how far it is, and what takes long."""

import os
import pty
import re
import subprocess
import sys
import termios
from collections.abc import Callable
from pathlib import Path
from threading import Thread

import pytest
from click.testing import CliRunner

from simfs.cli import commands, progress
from tests.support.places import ROOT

SCENARIO = """\
title = "A small device"
[chip]
size = "64 KiB"
rated_cycles = 40
[run]
duration = "1 d"
[[task]]
name = "gauge"
every = "1 h"
operations = [{ do = "write", file = "/gauge.csv", size = "900 B" }]
"""
RECORDING = """\
100 1922313600.000100 openat(AT_FDCWD</home/dev>, "/data/log.txt", O_WRONLY|O_CREAT|O_APPEND, 0666) = 3</data/log.txt>
100 1922313600.000200 write(3</data/log.txt>, "hello\\n", 6) = 6
100 1922313600.000300 close(3</data/log.txt>) = 0
100 1922313600.000400 +++ exited with 0 +++
"""
LAW = ("--scale-cycles", "60", "--shape", "3")
SHOWN = {
    "a scenario": (("run", "gauge.toml"), "replaying gauge.toml"),
    "one by one": (("run", "gauge.toml", "--plain"), "replaying gauge.toml"),
    "a recording": (("run", "echo.strace"), "replaying echo.strace"),
    "life": (("life", "gauge.toml"), "carrying gauge.toml on"),
    "a projected life": (("life", "gauge.toml", "--quick"), "carrying gauge.toml on"),
    "cuts": (("cuts", "gauge.toml", "--sample", "20"), "cutting the power in gauge.toml"),
    "lives": (("cuts", "gauge.toml", "--lives", "1"), "living with power cuts in gauge.toml"),
    "sweep": (("sweep", "gauge.toml", "--vary", "store.size=64 KiB"), "running variants of gauge.toml"),
    "fleet": (("fleet", "gauge.toml", *LAW, "--devices", "20"), "wearing out 20 devices"),
    "limits": (("fleet", "gauge.toml", *LAW, "--devices", "20", "--exact"), "drawing the limits of 20 devices"),
    "exact": (("fleet", "gauge.toml", *LAW, "--devices", "20", "--exact"), "carrying gauge.toml on"),
    "stores": (
        ("fleet", "gauge.toml", *LAW, "--stores", "1", "--hurried-cycles", "10"),
        "wearing out the stores of 1 device",
    ),
    "build": (("image", "build", "files", "new.bin", "--device", "gauge.toml"), "building new.bin"),
    "verify": (("image", "verify", "store.bin"), "checking store.bin"),
    "extract": (("image", "extract", "store.bin", "out"), "extracting store.bin"),
}


class Terminal:
    """A terminal of 100 columns, and all that was written to it. Its other end becomes `theirs`."""

    def __init__(self) -> None:
        self.ours, self.theirs = pty.openpty()
        termios.tcsetwinsize(self.theirs, (50, 100))
        self._seen = b""
        self._reading = Thread(target=self._read, daemon=True)
        self._reading.start()

    def _read(self) -> None:
        try:
            while piece := os.read(self.ours, 4096):
                self._seen += piece
        except OSError:  # the other end was closed
            pass

    def text(self) -> str:
        """What was written, once nobody has the other end open any more."""
        self._reading.join(timeout=30)
        os.close(self.ours)
        return self._seen.decode()


@pytest.fixture
def directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "gauge.toml").write_text(SCENARIO)
    (tmp_path / "echo.strace").write_text(RECORDING)
    (tmp_path / "files").mkdir()
    for name in ("a", "b"):
        (tmp_path / "files" / name).write_text("some text\n")
    monkeypatch.chdir(tmp_path)
    CliRunner().invoke(commands, ["image", "build", "files", "store.bin", "--device", "gauge.toml"])
    return tmp_path


def drawn_of(work: Callable[[], object]) -> str:
    """What a terminal as standard error gets of some work, if all that is told to a bar is drawn at once."""
    terminal, tell = Terminal(), progress._Bar.tell

    def tell_and_draw(bar: progress._Bar, done: int, whole: int) -> None:
        tell(bar, done, whole)
        bar._drawn("")

    with pytest.MonkeyPatch.context() as patch, os.fdopen(terminal.theirs, "w") as stream:
        patch.setattr(progress, "DELAY_S", 1000)
        patch.setattr(progress._Bar, "tell", tell_and_draw)
        patch.setattr("sys.stderr", stream)
        work()
    return terminal.text()


@pytest.mark.parametrize("name", SHOWN)
def test_a_command_says_what_it_does_and_how_far_it_is(name: str, directory: Path) -> None:
    words, what = SHOWN[name]
    text = drawn_of(lambda: commands.main(list(words), standalone_mode=False))
    percents = [int(found) for found in re.findall(rf"{re.escape(what)}: +(\d+) % \|.*?\| 00:0\d so far", text)]
    assert percents
    assert percents == sorted(percents)
    assert percents[-1] <= 100


def test_a_long_run_says_so_and_a_stop_is_one_line(directory: Path) -> None:
    (directory / "gauge.toml").write_text(SCENARIO.replace('"1 d"', '"500 years"').replace("1 h", "6 min"))
    terminal = Terminal()
    command = [sys.executable, "-m", "simfs", "run", str(directory / "gauge.toml")]
    takes_the_terminal = (
        "import fcntl, os, sys, termios; os.setsid(); fcntl.ioctl(2, termios.TIOCSCTTY, 0); "
        "os.execv(sys.argv[1], sys.argv[1:])"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", takes_the_terminal, *command],
        cwd=ROOT, stdin=terminal.theirs, stdout=subprocess.PIPE, stderr=terminal.theirs,
    )  # fmt: skip
    os.close(terminal.theirs)
    while b"Ctrl-C stops it" not in terminal._seen:
        terminal._reading.join(0.05)
        assert terminal._reading.is_alive(), terminal._seen
    os.write(terminal.ours, b"\x03")
    output, _ = process.communicate(timeout=30)
    text = terminal.text()
    assert (process.returncode, output) == (130, b"")
    assert re.search(
        r"\rsimfs: replaying gauge.toml will take about \d+ (minutes|hours|days); Ctrl-C stops it\r\n", text
    )
    assert text.count("will take") == 1
    assert re.search(r"replaying gauge.toml: +\d+ % \|.*\| 00:\d\d so far, [\d:]+ to go", text)
    assert re.search(r" {60,}\rsimfs: stopped\r\n$", text)  # the bar was taken away


def test_what_takes_long_is_known_from_its_pace() -> None:
    bar = progress._Bar("looking", ", or less", str)
    assert bar._foretold(0, 100, 50) == ""  # no pace yet
    assert bar._foretold(1, 1000, 1.9) == ""
    assert bar._foretold(5, 100, 3) == ""  # a minute
    assert bar._foretold(1, 100, 3) == "simfs: looking will take about 5 minutes, or less; Ctrl-C stops it"
    assert bar._foretold(1, 100, 4) == ""  # said once


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(61, "a minute"), (100, "2 minutes"), (7000, "117 minutes"), (7300, "2 hours"), (200_000, "2 days")],
)
def test_long_times_are_told_roughly(seconds: float, text: str) -> None:
    assert progress.about(seconds) == text


def test_work_of_unknown_length_shows_how_long_it_has_been_at_it() -> None:
    def work() -> None:
        with progress.progress_bar("looking") as tell:
            assert tell is not None
            tell(0, 0)

    assert "looking: 00:00 so far" in drawn_of(work)


def test_a_pipe_gets_no_bar() -> None:
    with progress.progress_bar("looking") as tell:
        assert tell is None


@pytest.mark.parametrize("words", [("image", "list", "store.bin"), ("run", "gauge.toml"), ("life", "gauge.toml")])
def test_every_command_ends_with_the_same_line_when_it_is_stopped(
    words: tuple[str, ...], directory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("simfs.files.Store.mount", stop)
    monkeypatch.setattr("simfs.files.Store.format", stop)
    done = CliRunner().invoke(commands, list(words))
    assert (done.exit_code, done.stdout, done.stderr) == (130, "", "simfs: stopped\n")
