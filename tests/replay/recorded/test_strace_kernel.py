"""What the kernel does by itself, recorded on the spot where strace is at hand: copies, second names, queues."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from simfs.files import Store
from simfs.flash import NorFlash
from simfs.replay.device.device import Run
from simfs.replay.recorded.faults import BadRecording
from simfs.replay.recorded.strace.recording import replay_recording
from tests.replay.recorded.traces import files_in
from tests.support.places import RECORDINGS
from tests.support.tools import needs_strace

pytestmark = needs_strace()

STRACE = ("strace", "-f", "-y", "-ttt", "-s", "1048576", "-x", "-o", "recording.txt")


def record(place: Path, *program: str) -> dict[str, bytes]:
    """The files that the program left in `place`/data, and its recording in recording.txt."""
    subprocess.run([*STRACE, *program], cwd=place, capture_output=True, check=True)
    data = place / "data"
    return {f"/{path.relative_to(data)}": path.read_bytes() for path in data.rglob("*") if path.is_file()}


def replay(place: Path, strict: bool = False) -> Run:
    store = Store.format(NorFlash(block_count=64))
    return replay_recording(place / "recording.txt", store, directory=str(place / "data"), strict=strict)


def test_cp_and_mv_leave_what_they_left_on_the_host(tmp_path: Path) -> None:
    script = """mkdir data && cd data && seq 2000 > day.csv && cp day.csv day2.csv && cat day.csv day2.csv > both.csv
        cp --sparse=always --reflink=auto both.csv third.csv; cp -l day.csv linked.csv; rm day.csv; mv day2.csv ../
        mv ../day2.csv back.csv; rm back.csv; ln third.csv a; mv -f a third.csv; rm -f a"""
    left = record(tmp_path, "sh", "-c", script)
    run = replay(tmp_path, strict=True)
    assert files_in(run) == left
    assert sorted(left) == ["/both.csv", "/linked.csv", "/third.csv"]
    assert [entry.what.partition(" ")[0] for entry in run.skipped] == ["rename", "remove"]  # of what came from outside
    assert (run.differing, run.refusals) == ([], [])


def test_every_file_that_differs_is_named_and_no_other(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data/there.before").write_text("a line\n")
    left = record(tmp_path, sys.executable, "-SE", str(RECORDINGS / "kernel_copies.py"), "data")
    run = replay(tmp_path)
    found = files_in(run)
    differ = {name for name in left.keys() | found.keys() if left.get(name) != found.get(name)}
    assert differ == {
        "/both.second", "/both.symbolic", "/sent.renamed", "/from.outside", "/mapped", "/there.before",
    }  # fmt: skip
    assert {file.name for file in run.differing} == differ
    assert len(run.differing) == len(differ)
    with pytest.raises(
        BadRecording, match=r"recording\.txt: line \d+: .* may differ from the host's file \(and 5 more\)"
    ):
        replay(tmp_path, strict=True)
