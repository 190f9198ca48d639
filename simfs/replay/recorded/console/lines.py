"""The lines that `recorder.h` prints about file operations, found among whatever else a console shows.

    @fs1 NUMBER TIME OPERATION ARGUMENTS CHECK
    @fs2 BOOT NUMBER TIME OPERATION ARGUMENTS CHECK

`LINES.md` describes them. A line counts when the CRC-32 at its end is that of all characters before it. A line that
begins like one and does not count is torn. Any other text is chatter, even before a line of ours on the same line.
"""

from __future__ import annotations

import re
from typing import NamedTuple
from zlib import crc32

from simfs.replay.recorded.faults import Unreadable

VERSIONS = (1, 2)
RIGHT_LINE = "recorder.h prints lines like: @fs1 2 1030 write 3 2 6869 a3897884"

_MARK = re.compile(r"@fs[0-9]{1,3} ")
_LINE = re.compile(r"@fs(?:1|2 ([0-9]{1,10})) ([0-9]{1,10}) ([0-9]{1,10}) ([a-z]+)((?: [!-?A-~]+)*) ([0-9a-f]{8})")
_CHECKED = re.compile(r"(.* )([0-9a-f]{8})")
_UNMARKED = re.compile(r"((?:[0-9]{1,12} )?[0-9]{1,12}) [0-9]{1,10} [a-z]+(?: [!-?A-~]+)* ([0-9a-f]{8})\s*$")
_ESCAPE = re.compile(rb"%([0-9a-f]{2})")


class Record(NamedTuple):
    """One operation of the firmware."""

    line: int  # of the log
    number: int  # the firmware's own, since its boot
    time_ms: int
    operation: str
    arguments: str  # with a blank before each
    check: str
    boot: int | None = None  # the number of the boot, where the line carries it


class Torn(NamedTuple):
    """A line that is not whole. The text is what came of it."""

    line: int
    text: str
    why: str


class Joined(NamedTuple):
    """Two whole lines with no line end between them."""

    line: int


def whole_line(line: int, text: str) -> Record | None:
    """The operation in a line of the log that is nothing but a whole line of the firmware, as most are."""
    match = _LINE.match(text)
    return _record(line, match) if match is not None and match.end() == len(text.rstrip("\r\n")) else None


def found_in(line: int, text: str) -> list[Record | Torn | Joined]:
    """The operations, or torn lines, in a line of the log. A line of chatter costs a search for the mark."""
    text = text.rstrip("\r\n")
    starts = [match.start() for match in _MARK.finditer(text)]
    if not starts:
        return [Torn(line, text, "its beginning is damaged")] if _is_unmarked(text) else []
    pieces = [text[start:end].rstrip() for start, end in zip(starts, [*starts[1:], None], strict=True)]
    return [_piece(line, piece) for piece in pieces] + [Joined(line)] * (len(pieces) > 1)


def name_text(escaped: str) -> str:
    """A name as the store has it: UTF-8, other bytes as surrogate escapes."""
    if "%" not in escaped:
        return escaped
    name = _ESCAPE.sub(lambda match: bytes([int(match[1], 16)]), escaped.encode("ascii"))
    if b"\0" in name:
        raise Unreadable("no name holds a NUL")
    return name.decode("utf-8", "surrogateescape")


def _record(line: int, match: re.Match[str]) -> Record | None:
    """The operation, if the checksum fits."""
    boot, number, time_ms, operation, arguments, check = match.groups()
    if crc32(match[0][:-8].encode("ascii")) != int(check, 16):
        return None
    return Record(line, int(number), int(time_ms), operation, arguments, check, None if boot is None else int(boot))


def _piece(line: int, piece: str) -> Record | Torn:
    """What begins with a mark."""
    match = _LINE.fullmatch(piece)
    record = match and _record(line, match)
    if record:
        return record
    checked = _CHECKED.fullmatch(piece)
    if checked is None:
        return Torn(line, piece, "it does not end with its checksum")
    if not piece.isascii() or crc32(checked[1].encode("ascii")) != int(checked[2], 16):
        return Torn(line, piece, "its checksum does not fit")
    return Torn(line, piece, "its checksum fits, but this replay knows the lines of versions 1 and 2 only")


def _is_unmarked(text: str) -> bool:
    """Whether these are the remains of a line whose mark is damaged: with its mark the checksum would fit."""
    match = _UNMARKED.search(text)
    if match is None:
        return False
    check = int(match[2], 16)
    rests = (text[at : match.end(2) - 8] for at in range(match.start(1), match.end(1)))
    return any(crc32(f"@fs{version} {rest}".encode("ascii")) == check for rest in rests for version in VERSIONS)
