"""Spells the lines that a firmware prints with `recorder.h`, for tests without a compiler."""

from __future__ import annotations

import re
from collections.abc import Iterable
from zlib import crc32


def spelled(number: int, time_ms: int, words: str, boot: int = 0) -> str:
    """One line, its end left out: `words` are the operation and its arguments, names escaped. `boot`: the number of its
    boot; 0: it has none."""
    text = f"@fs2 {boot} {number} {time_ms} {words} " if boot else f"@fs1 {number} {time_ms} {words} "
    return f"{text}{crc32(text.encode()):08x}"


def console(*said: str, first: int = 0) -> list[str]:
    """Lines numbered from `first` on, anew at each boot, 10 ms apart."""
    lines, number = [], first
    for at, words in enumerate(said, 1):
        number = 0 if words == "boot" else number
        lines.append(spelled(number, 10 * at, words))
        number += 1
    return lines


def escaped(name: bytes) -> str:
    """A name as the lines have it."""
    return re.sub(rb"[^!-~]|[%@]", lambda match: b"%%%02x" % match[0][0], name).decode()


def text_of(lines: Iterable[str]) -> str:
    """The log."""
    return "".join(f"{line}\n" for line in lines)
