"""The program `simfs` as a process of its own, by itself or on a terminal."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.support.places import ROOT

TIMEOUT_S = 30  # of one answer of a program on a terminal


def program(*words: object, **how: Any) -> subprocess.CompletedProcess[str]:
    """What it printed, and its exit status."""
    command = [sys.executable, "-m", "simfs", *map(str, words)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False, **how)


def talk(words: Sequence[object], answers: Sequence[str], directory: Path) -> tuple[str, int]:
    """What `simfs` shows, and its exit status, when its questions get these answers in turn."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "simfs", *map(str, words)]
    environment = {**os.environ, "TERM": "dumb"}
    process = subprocess.Popen(command, cwd=directory, stdin=theirs, stdout=theirs, stderr=theirs, env=environment)
    os.close(theirs)
    shown, left = b"", list(answers)
    try:
        while piece := _read(ours):
            shown += piece
            if shown.endswith(b": ") and left:
                os.write(ours, left.pop(0).encode() + b"\n")
        process.wait(TIMEOUT_S)
    finally:
        process.kill()
        process.wait()
        os.close(ours)
    text = shown.decode().replace("\r\n", "\n")
    assert not left, f"it never asked for {left}:\n{text}"
    return text, process.returncode


def _read(terminal: int) -> bytes:
    """What the program writes next; nothing once it has ended."""
    ready, _, _ = select.select([terminal], [], [], TIMEOUT_S)
    assert ready, "it neither asks nor ends"
    try:
        return os.read(terminal, 4096)
    except OSError:  # Linux says so when nobody has the other end any more
        return b""
