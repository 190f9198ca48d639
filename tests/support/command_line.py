"""The program `simfs` as a process of its own, by itself or on a terminal, forked from one that has it loaded."""

from __future__ import annotations

import os
import pty
import select
import subprocess
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryFile

from tests.support.loaded.start import Started
from tests.support.places import ROOT

TIMEOUT_S = 60  # of a program, or of its next answer on a terminal


def program(*words: object) -> subprocess.CompletedProcess[str]:
    """What it printed, and its exit status."""
    with TemporaryFile("w+") as output, TemporaryFile("w+") as errors, open(os.devnull) as nothing:
        streams = [nothing.fileno(), output.fileno(), errors.fileno()]
        with closing(Started(words, streams, ROOT, os.environ)) as started:
            status = started.status(TIMEOUT_S)
        for printed in (output, errors):
            printed.seek(0)
        return subprocess.CompletedProcess(words, status, output.read(), errors.read())


def talk(words: Sequence[object], answers: Sequence[str], directory: Path) -> tuple[str, int]:
    """What `simfs` shows, and its exit status, when its questions get these answers in turn."""
    ours, theirs = pty.openpty()
    with closing(Started(words, [theirs] * 3, directory, {**os.environ, "TERM": "dumb"})) as started:
        os.close(theirs)
        shown, left = b"", list(answers)
        try:
            while piece := _read(ours):
                shown += piece
                if shown.endswith(b": ") and left:
                    os.write(ours, left.pop(0).encode() + b"\n")
            status = started.status(TIMEOUT_S)
        finally:
            os.close(ours)
    text = shown.decode().replace("\r\n", "\n")
    assert not left, f"it never asked for {left}:\n{text}"
    return text, status


def _read(terminal: int) -> bytes:
    """What the program writes next; nothing once it has ended."""
    ready, _, _ = select.select([terminal], [], [], TIMEOUT_S)
    assert ready, "it neither asks nor ends"
    try:
        return os.read(terminal, 4096)
    except OSError:  # Linux says so when nobody has the other end any more
        return b""
