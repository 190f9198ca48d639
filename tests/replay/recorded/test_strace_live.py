"""Recordings made on the spot, where strace is at hand: random operations of several processes, its other forms."""

import subprocess
import sys

import pytest

from simfs.files import Store
from simfs.flash import NorFlash
from simfs.replay.recorded.strace.recording import replay_recording
from simfs.store.format.config import StoreConfig
from tests.support.places import RECORDINGS
from tests.support.tools import needs_strace

PROGRAMS = RECORDINGS
STRACE = ("strace", "-f", "-y", "-ttt", "-s", "1048576", "--inject=copy_file_range:error=ENOSYS")
OVERLAPPED = "two calls overlapped"


pytestmark = [pytest.mark.slow, *needs_strace()]


def recorded(place, program, *options, to_file=True):
    """The recording of a program run in `place`/data, and the files that it left."""
    data, recording = place / "data", place / "recording"
    data.mkdir()
    output = ["-o", str(recording)] if to_file else []
    done = subprocess.run([*STRACE, *options, *output, *program], cwd=data, capture_output=True, check=True)
    if not to_file:
        recording.write_bytes(done.stderr)
    left = {f"/{path.relative_to(data)}": path.read_bytes() for path in data.rglob("*") if path.is_file()}
    return recording, left


def replayed(recording, directory):
    config = StoreConfig(open_files_max=200, name_bytes=100)
    run = replay_recording(recording, Store.format(NorFlash(block_count=64), config), directory=directory)
    return run, {name: run.store.open(name, "rb").read() for name in run.store.names()}


@pytest.mark.parametrize("strings", [(), ("-x",), ("-xx",)])
@pytest.mark.parametrize("seed", range(8))
def test_random_operations_of_several_processes(tmp_path, seed, strings):
    program = [sys.executable, "-SE", str(PROGRAMS / "anything.py"), str(seed)]
    recording, left = recorded(tmp_path, program, *strings)
    run, found = replayed(recording, str(tmp_path / "data"))
    assert run.store.check() == []
    differ = {name for name in left.keys() | found.keys() if left.get(name) != found.get(name)}
    assert differ <= {file.name for file in run.differing}
    if any(OVERLAPPED in entry.what for entry in run.skipped):
        return  # which came first is not in the recording
    assert differ == set()
    assert run.refusals == []


@pytest.mark.parametrize("program", ["shell_tools.sh", "forks.sh"])
def test_a_recording_taken_from_standard_error_names_processes_otherwise(tmp_path, program):
    script = (PROGRAMS / program).read_text().replace(">&2", "")
    quiet = f"exec 2> /dev/null > /dev/null < /dev/null\n{script}"
    recording, left = recorded(tmp_path, ["/bin/sh", "-c", quiet], "-x", to_file=False)
    run, found = replayed(recording, str(tmp_path / "data"))
    assert [entry for entry in run.skipped if OVERLAPPED not in entry.what] == []
    if not run.skipped:  # else which came first is not in the recording
        assert found == left
