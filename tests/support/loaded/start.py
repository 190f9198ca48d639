"""Commands of the server, which is started when the first of them comes, and is there until this process ends."""

from __future__ import annotations

import atexit
import os
import shlex
import shutil
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from tests.support.places import ROOT

CLIENT = Path(__file__).with_name("client.py")


@cache
def programs() -> Path:
    """A directory for the path of a shell: the program `simfs` in it is that of the server."""
    folder = Path(mkdtemp(prefix="simfs-"))
    command = [sys.executable, "-m", "tests.support.loaded.server", str(folder / "socket")]
    server = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    atexit.register(_stop, server, folder)
    assert server.stdout is not None
    assert server.stdout.readline() == b"ready\n"
    words = shlex.join([sys.executable, "-IS", str(CLIENT), str(folder / "socket")])
    (folder / "simfs").write_text(f'#!/bin/sh\nexec {words} "$@"\n')
    (folder / "simfs").chmod(0o755)
    return folder


def _stop(server: subprocess.Popen[bytes], folder: Path) -> None:
    assert server.stdin is not None
    server.stdin.close()
    server.wait()
    shutil.rmtree(folder)


class Started:
    """A command that runs, with file descriptors for its standard input, output and error."""

    def __init__(
        self, words: Sequence[object], streams: Sequence[int], directory: Path, environment: Mapping[str, str]
    ) -> None:
        path = programs() / "socket"
        parts = [str(directory), str(len(words)), *map(str, words), *map("=".join, environment.items())]
        self._server = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._server.connect(str(path))
        socket.send_fds(self._server, [b"\0".join(map(os.fsencode, parts))], streams)

    def status(self, timeout_s: float) -> int:
        """How it ended, negative for a signal. TimeoutError when it has not."""
        self._server.settimeout(timeout_s)
        return int(self._server.recv(100))

    def close(self) -> None:
        """Forget it; it is killed if it still runs."""
        self._server.close()
