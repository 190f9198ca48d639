"""A program on a terminal, with somebody who answers what it asks."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

TIMEOUT_S = 30


def talk(words: Sequence[object], answers: Sequence[str], directory: Path) -> tuple[str, int]:
    """What `simfs` shows, and its exit status, when its questions get these answers in turn."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "simfs", *map(str, words)]
    environment = {**os.environ, "TERM": "dumb"}
    process = subprocess.Popen(command, cwd=directory, stdin=theirs, stdout=theirs, stderr=theirs, env=environment)
    os.close(theirs)
    shown, left = "", list(answers)
    try:
        while piece := _read(ours):
            shown += piece.decode().replace("\r\n", "\n")
            if shown.endswith(": ") and left:
                os.write(ours, left.pop(0).encode() + b"\n")
        process.wait(TIMEOUT_S)
    finally:
        process.kill()
        process.wait()
        os.close(ours)
    assert not left, f"it never asked for {left}:\n{shown}"
    return shown, process.returncode


def _read(terminal: int) -> bytes:
    """What the program writes next; nothing once it has ended."""
    ready, _, _ = select.select([terminal], [], [], TIMEOUT_S)
    assert ready, "it neither asks nor ends"
    try:
        return os.read(terminal, 4096)
    except OSError:  # Linux says so when nobody has the other end any more
        return b""
