"""Mounts for tests: `simfs mount` as a process of its own, and why there is none where there can't be one."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from ctypes.util import find_library
from dataclasses import dataclass
from pathlib import Path

import pytest

from simfs.bridges.mount.mount import CannotMount, load_library
from tests.support.places import ROOT
from tests.support.tools import needs

SCENARIO = """\
title = "A directory on the chip"
[chip]
size = "{size}"
[store]
name_bytes = 250
open_files_max = 64
[run]
duration = "1 d"
[[task]]
name = "gauge"
every = "1 h"
operations = [{{ do = "append", file = "/gauge.csv", size = "20 B" }}]
"""


def why_not() -> str:
    """Why nothing can be mounted here; empty where it can."""
    try:
        load_library()
        os.close(os.open("/dev/fuse", os.O_RDWR))
    except CannotMount as error:
        return str(error)
    except OSError as error:
        return f"/dev/fuse can't be opened: {error.strerror}"
    return ""


WHY_NOT = why_not()
NEEDS_MOUNTS = [
    needs("fusermount3", package="fuse3"),
    needs("libfuse3", package="fuse3", found=find_library("fuse3") is not None),
    pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT),
]


@dataclass
class Mount:
    """A directory that is a store, and the process that serves it."""

    path: Path
    process: subprocess.Popen[str]

    def unmount(self) -> None:
        subprocess.run(["fusermount3", "-u", self.path], check=True, timeout=30)

    def end(self) -> tuple[int, str, str]:
        """What the process left, once it is unmounted or has got a signal: exit status, standard output, errors."""
        output, errors = self.process.communicate(timeout=60)
        return self.process.returncode, output, errors


@contextmanager
def mounted(source: Path, directory: Path, *options: str | Path) -> Iterator[Mount]:
    """Serve `source` in `directory`, which is made; unmounted afterwards, whatever happened."""
    with served(["simfs", "mount", str(source), str(directory), *map(str, options)], directory) as mount:
        yield mount


@contextmanager
def served(command: list[str], directory: Path) -> Iterator[Mount]:
    """Run a module of Python with arguments that mounts `directory`, which is made. Ended with SIGTERM at last."""
    directory.mkdir()
    command = [sys.executable, "-m", *command]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        began = time.monotonic()
        while not os.path.ismount(directory):
            assert process.poll() is None, process.communicate()
            assert time.monotonic() - began < 60
            time.sleep(0.02)
        yield Mount(directory, process)
    finally:
        if process.poll() is None:
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(timeout=60)
        with process:
            process.kill()


def scenario_in(folder: Path, size: str = "2 MiB") -> Path:
    """A scenario whose chip and settings suit programs that use long names."""
    path = folder / "device.toml"
    path.write_text(SCENARIO.format(size=size))
    return path
