"""Operations that somebody types, one a line."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace

from simfs.replay.scenario.quantities import parse_duration, parse_size

CONTENT_BYTES_MAX = 1 << 20
REPEAT_MAX = 10_000
CUT_AT_MAX = 100_000

USAGES = {
    "append": "append FILE CONTENT",
    "write": "write FILE CONTENT",
    "create": "create FILE [CONTENT]",
    "update": "update FILE AT CONTENT",
    "read": "read FILE",
    "remove": "remove FILE",
    "rename": "rename FILE NEW-NAME",
    "truncate": "truncate FILE SIZE",
    "list": "list [PREFIX]",
    "idle": "idle TIME",
    "boot": "boot",
    "repeat": "repeat N OPERATION...",
    "cut": "cut N OPERATION...",
}
COMMANDS = ("back", "save", "film", "help", "quit")  # what may be typed besides; no operation
_WRITES = ("append", "write", "create", "update")


@dataclass(frozen=True, slots=True)
class Typed:
    """One operation. `data` is what is written; `size_bytes` its size where it was given so, as arbitrary bytes.
    `number` is an offset, a size or a time in ns; `cut_at` the program or erase, from 1, in which the power goes."""

    line: str
    operation: str
    name: str = ""
    to: str = ""
    data: bytes = b""
    size_bytes: int | None = None
    number: int = 0
    repeat: int = 1
    cut_at: int | None = None


def parse_typed(line: str) -> Typed:
    """The operation that a line means. ValueError says what would be right."""
    if any("\ud800" <= sign <= "\udfff" for sign in line):  # what Python makes of bytes that aren't UTF-8
        raise ValueError("it is not UTF-8 text; give other characters as UTF-8, or a size such as 40B")
    try:
        words = shlex.split(line)
    except ValueError as error:
        raise ValueError(f"a quotation mark is not closed ({error}); write text in quotes, as in 'two words'") from None
    if not words:
        raise ValueError("it is empty; write an operation, or help")
    return _parsed(line.strip(), words)


def _parsed(line: str, words: list[str]) -> Typed:
    operation, *rest = words
    if operation not in USAGES:
        raise ValueError(f"there is no operation {operation}; known are {', '.join((*USAGES, *COMMANDS))}")
    if operation in ("repeat", "cut"):
        return _prefixed(line, operation, rest)
    least, most = _counts(operation)
    if not least <= len(rest) <= most:
        raise ValueError(f"it is not whole; type {USAGES[operation]}")
    if operation == "idle":
        return Typed(line, operation, number=parse_duration(rest[0]))
    if operation in _WRITES:
        at, content = (_number("AT", rest[1]), rest[2]) if operation == "update" else (0, "".join(rest[1:]))
        data, size_bytes = _content(content)
        return Typed(line, operation, rest[0], data=data, size_bytes=size_bytes, number=at)
    to = rest[1] if operation == "rename" else ""
    number = _number("SIZE", rest[1]) if operation == "truncate" else 0
    return Typed(line, operation, rest[0] if rest else "", to, number=number)


def _counts(operation: str) -> tuple[int, int]:
    """How few and how many words may follow."""
    words = USAGES[operation].split()[1:]
    return sum(not word.startswith("[") for word in words), len(words)


def _prefixed(line: str, prefix: str, rest: list[str]) -> Typed:
    if len(rest) < 2 or not rest[0].isdecimal() or not rest[0].strip("0"):
        raise ValueError(f"it is not whole; type {USAGES[prefix]}, with N a number from 1 on")
    if rest[1] in ("repeat", "cut"):
        raise ValueError(f"after {prefix} N comes an operation itself; write {USAGES[prefix]}")
    most = REPEAT_MAX if prefix == "repeat" else CUT_AT_MAX
    if len(rest[0]) > len(str(most)) or int(rest[0]) > most:
        raise ValueError(f"{rest[0]} is too many; write at most {most}")
    typed, count = _parsed(line, rest[1:]), int(rest[0])
    return replace(typed, repeat=count) if prefix == "repeat" else replace(typed, cut_at=count)


def _number(what: str, text: str) -> int:
    if text.isdecimal() and len(text) < 10:
        return int(text)
    try:
        return parse_size(text)
    except ValueError:
        raise ValueError(f"{what} is {text}; write a number of bytes, such as 128") from None


def _content(text: str) -> tuple[bytes, int | None]:
    """A size such as 40B means so many arbitrary bytes; everything else is the text itself, with \\n for a new line."""
    try:
        size_bytes = parse_size(text) if text[:1].isdigit() else None
    except ValueError:
        size_bytes = None
    if size_bytes is None:
        return text.replace("\\n", "\n").encode(), None
    if size_bytes > CONTENT_BYTES_MAX:
        raise ValueError(f"{text} is too much at once; write at most 1 MiB")
    return bytes(number * 37 % 251 for number in range(size_bytes)), size_bytes
