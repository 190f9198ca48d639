"""A small program in C prints what it does with `recorder.h`; the replay leaves the same files as the program."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.bridges.recorder import HEADER
from simfs.replay.device.device import Run
from simfs.replay.recorded.console.log import is_console_log, replay_console_log
from tests.support.console_text import console, escaped, spelled, text_of
from tests.support.places import RECORDINGS
from tests.support.tools import needs

FIRMWARE = RECORDINGS / "firmware.c"
NAMES = ["/log.csv", "/log.csv/a b", "/ä@%.bin", "/\x01\udcff", "plain"]  # as in firmware.c
STEPS = 400
WITHOUT_CONTENTS = "its line has no contents"

needs_compiler = needs("cc", package="gcc libc6-dev")


def compiled(source: Path, program: Path, *options: str) -> Path:
    """The program, without a warning."""
    strict = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion", "-Wshadow"]
    command = ["cc", *(options or strict), f"-I{HEADER.parent}", str(source), "-o", str(program)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return program


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compiled(FIRMWARE, tmp_path_factory.mktemp("firmware") / "firmware")


def replayed(log: Path) -> Run:
    return replay_console_log(log, Store.format(NorFlash(block_count=64), StoreConfig()), strict=True)


@needs_compiler
@pytest.mark.parametrize("seed", range(12))
def test_replay_leaves_the_files_that_the_firmware_left(firmware: Path, tmp_path: Path, seed: int) -> None:
    data, log = tmp_path / "data", tmp_path / "console.log"
    data.mkdir()
    log.write_bytes(subprocess.run([firmware, str(seed), str(STEPS), data], capture_output=True, check=True).stdout)
    assert is_console_log(log)
    run = replayed(log)
    left = {NAMES[int(path.name)]: path.read_bytes() for path in data.iterdir()}
    assert {name: run.store.open(name).read() for name in run.store.names()} == left
    assert [entry for entry in run.skipped if WITHOUT_CONTENTS not in entry.what] == []
    assert run.refusals == []
    done = run.tasks["firmware"].operations
    assert done.keys() >= {"open", "write", "read", "truncate", "close", "remove", "rename"}
    assert sum(done.values()) > STEPS / 2
    assert run.store.check() == []
    assert run.duration_ns < 60_000_000_000  # though the firmware's clock runs over


@needs_compiler
def test_lines_are_spelled_as_the_tests_spell_them(tmp_path: Path) -> None:
    source = tmp_path / "all.c"
    source.write_text(
        r"""
#include "recorder.h"
#include <stdio.h>
static void put(char c, void *context) { fputc(c, (FILE *)context); }
static uint32_t now(void *context) { static uint32_t ms; (void)context; return ms += 10u; }
int main(void)
{
    simfs_recorder recorder = {put, now, stdout, 0, 0, 0};
    simfs_record_boot(&recorder);
    simfs_record_open(&recorder, 4294967295u, "wb+", " /a\n%@~\177\377");
    simfs_record_write(&recorder, 0, "\0\t\xff", 3);
    simfs_record_write(&recorder, 10, NULL, 1000000000u);
    simfs_record_write(&recorder, 10, "", 0);
    simfs_record_read(&recorder, 9, 4294967295u);
    simfs_record_seek(&recorder, 9, 100);
    simfs_record_truncate(&recorder, 9, 99);
    simfs_record_flush(&recorder, 9);
    simfs_record_rename(&recorder, "/a", "/b c");
    simfs_record_remove(&recorder, "/b c");
    simfs_record_close(&recorder, 9);
    simfs_record_boot(&recorder);
    simfs_record_flush(&recorder, 1);
    simfs_record_numbered_boot(&recorder, 4294967295u);
    simfs_record_flush(&recorder, 2);
    simfs_record_boot(&recorder);
    return 0;
}
"""
    )
    said = subprocess.run([compiled(source, tmp_path / "all")], capture_output=True, text=True, check=True).stdout
    name = escaped(b" /a\n%@~\177\377")
    assert name == "%20/a%0a%25%40~%7f%ff"
    numbered = [spelled(0, 150, "boot", 4294967295), spelled(1, 160, "flush 2", 4294967295), spelled(0, 170, "boot")]
    assert said == text_of(
        console(
            "boot", f"open 4294967295 wb+ {name}", "write 0 3 0009ff", "write 10 1000000000", "write 10 0",
            "read 9 4294967295", "seek 9 100", "truncate 9 99", "flush 9", "rename /a /b%20c", "remove /b%20c",
            "close 9", "boot", "flush 1",
        ) + numbered
    )  # fmt: skip


def test_header_is_short_and_allocates_nothing() -> None:
    text = HEADER.read_text("ascii")
    assert len(text.splitlines()) < 210
    assert not any(word in text for word in ("alloc(", "free(", "stdio.h", "string.h", "\t"))
    assert max(map(len, text.splitlines())) <= 120
