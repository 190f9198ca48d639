"""Recordings on the in-memory model."""

from __future__ import annotations

from pathlib import Path

from simfs.files.model import Model
from simfs.replay.recorded.console.log import replay_console_log
from simfs.replay.recorded.strace.recording import replay_recording
from simfs.show.text import as_text
from simfs.store.format.config import StoreConfig
from simfs.study.run.measure import figures
from tests.support.console_text import console, text_of

STRACE = r"""1 1.0 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT|O_TRUNC, 0644) = 3</d/a>
1 2.0 write(3</d/a>, "hello\n", 6) = 6
1 3.0 lseek(3</d/a>, 0, SEEK_SET) = 0
1 4.0 read(3</d/a>, "hello\n", 99) = 6
1 5.0 close(3</d/a>) = 0
1 6.0 rename("/d/a", "/d/b") = 0
"""


def test_what_strace_wrote(tmp_path: Path) -> None:
    path = tmp_path / "recording"
    path.write_text(STRACE)
    run = replay_recording(path, Model(), directory="/d")
    assert isinstance(run.store, Model)
    assert run.store.contents() == {"/b": b"hello\n"}
    assert run.skipped == run.refusals == []
    assert run.duration_ns == 5 * 10**9  # no time of its own
    assert "memory of the computer" in as_text(figures(run), ())


def test_a_console_log_with_a_boot(tmp_path: Path) -> None:
    path = tmp_path / "log"
    said = ["open 1 w /a", "write 1 1 61", "flush 1", "write 1 1 62", "boot", "open 1 a /a", "write 1 1 63", "close 1"]
    path.write_text(text_of(console("boot", *said)))
    run = replay_console_log(path, Model(StoreConfig(open_files_max=2)), strict=True)
    assert isinstance(run.store, Model)
    assert run.store.contents() == {"/a": b"ac"}
    assert len(run.boots) == 3
