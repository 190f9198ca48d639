"""The small grammar inside a line of strace: quoted strings, descriptors with their paths, numbers and flags.

The pieces below are regular expressions that `file_calls` and `process_calls` join into the shape of each system
call's arguments, so that the arguments of a call nobody asks about are never taken apart.
"""

from __future__ import annotations

import re

from simfs.replay.recorded.faults import Unreadable

# -y puts the path behind a descriptor; "<", ">" and quotes inside the path are escaped. A file without a name left is
# marked behind the path.
DESCRIPTOR = r"(-?\d{1,10})(?:<([^<>]*)>)?(?:\(deleted\))?"
PLACE = r"(AT_FDCWD|-?\d{1,10})(?:<([^<>]*)>)?(?:\(deleted\))?"
STRING = r'"([^"\\]*+(?:\\.[^"\\]*+)*+)"(\.\.\.)?'
NUMBER = r"(-?\d{1,20})"
FLAGS = r"([^,{}\[\]\"]+)"

_ESCAPE = re.compile(r"\\(?:x[0-9a-fA-F]{2}|[0-7]{1,3}|.|$)", re.DOTALL)
_LETTERS = {"n": 10, "t": 9, "r": 13, "v": 11, "f": 12, "a": 7, "b": 8, "e": 27, '"': 34, "\\": 92, "'": 39}
_VECTOR_PART = re.compile(rf"(?:\{{iov_base=(?:{STRING}|NULL), iov_len=\d{{1,20}}\}})(?:, |$)")


class _Escapes(dict[str, str]):
    """What each escape stands for, worked out once."""

    def __missing__(self, escape: str) -> str:
        body = escape[1:]
        if body in _LETTERS:
            value = _LETTERS[body]
        elif body[:1] == "x" and len(body) == 3:
            value = int(body[1:], 16)
        elif body and body[0] in "01234567":
            value = int(body, 8)
        else:
            raise Unreadable(f"{escape!r} is not an escape of a C string")
        self[escape] = chr(value)
        return self[escape]


_ESCAPES = _Escapes()


def unescape(text: str) -> bytes:
    """The bytes of a C string as strace writes it: plain, with octal escapes, with `-x` or with `-xx`."""
    if "\\" in text:
        pairs = text.count("\\x")
        if 4 * pairs == len(text):
            whole = _hex_pairs(text, pairs)
            if whole is not None:
                return whole
        text = _ESCAPE.sub(lambda match: _ESCAPES[match[0]], text)
    try:
        return text.encode("latin-1")
    except UnicodeEncodeError:
        raise Unreadable(f"{text[:40]!r} holds characters that are not bytes") from None


def _hex_pairs(text: str, pairs: int) -> bytes | None:
    """A string of nothing but `\\xhh`, which `-xx` writes: ten times as fast as one escape after the other."""
    try:
        whole = bytes.fromhex(text.replace("\\x", ""))
    except ValueError:
        return None
    return whole if len(whole) == pairs else None  # fromhex passes over blanks


def path_text(text: str) -> str:
    """A path as a `str`: UTF-8, other bytes as surrogate escapes, as the names of a store have them."""
    path = unescape(text)
    if b"\0" in path:
        raise Unreadable(f"the path {text[:60]!r} holds a NUL")
    return path.decode("utf-8", "surrogateescape")


def vector_data(text: str) -> tuple[bytes, bool]:
    """The bytes of a list of buffers, `{iov_base="ab", iov_len=2}, ...` joined, and whether strace cut any short."""
    parts: list[bytes] = []
    at = 0
    while at < len(text):
        if text.startswith("...", at):
            return b"".join(parts), True
        match = _VECTOR_PART.match(text, at)
        if match is None:
            raise Unreadable('a list of buffers reads {iov_base="...", iov_len=n}, ...')
        parts.append(unescape(match[1] or ""))
        if match[2]:  # what follows a cut buffer has no known place
            return b"".join(parts), True
        at = match.end()
    return b"".join(parts), False
