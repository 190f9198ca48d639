"""The file of a recording: its lines, and how far a replay has come in it."""

from __future__ import annotations

import io
import os
from collections.abc import Callable

Progress = Callable[[int, int], None]
"""Called with the bytes of the recording that are done, and the bytes of all of it."""


def opened(path: str | os.PathLike[str]) -> io.TextIOWrapper:
    """A recording's lines, a character for every byte."""
    return open(path, encoding="latin-1", newline="\n")


def told(lines: io.TextIOWrapper, progress: Progress | None) -> Callable[[], None]:
    """A function that reports to `progress` how far the lines have been read."""
    number = lines.fileno()
    size_bytes = os.fstat(number).st_size

    def tell() -> None:
        if progress:
            progress(min(os.lseek(number, 0, os.SEEK_CUR), size_bytes), size_bytes)  # lines are read in large pieces

    return tell
