"""Which program asks a mount."""

from __future__ import annotations

import os
import subprocess
import sys

from simfs.bridges.mount.programs import HOST, OPEN_MAX, Programs


def test_a_process_has_the_name_of_what_it_runs_now_and_none_once_it_has_ended() -> None:
    programs = Programs()
    script = "import os; print('one', flush=True); os.read(0, 1); os.execvp('cat', ['cat'])"
    command = [sys.executable, "-c", script]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline() == "one\n"
        assert programs.name_of(process.pid) == programs.name_of(process.pid) != "cat"
        process.stdin.write("!two\n")
        process.stdin.flush()
        assert process.stdout.readline() == "two\n"
        assert programs.name_of(process.pid) == "cat"
        process.stdin.close()
        process.wait()
        assert programs.name_of(process.pid) == HOST


def test_few_are_kept_open() -> None:
    before = len(os.listdir("/proc/self/fd"))
    programs = Programs()
    assert programs.name_of(0) == HOST
    others = [int(name) for name in os.listdir("/proc") if name.isdigit()]
    for process in others[: 3 * OPEN_MAX]:
        programs.name_of(process)
    assert len(os.listdir("/proc/self/fd")) <= before + OPEN_MAX
    del programs
    assert len(os.listdir("/proc/self/fd")) == before
