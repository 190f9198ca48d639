"""The lines on which the keys of a TOML text stand. `tomllib` gives line numbers only for errors of syntax.

This is no second parser: `tomllib` has read the text before, and this looks only at its structure. The tests compare
every path it finds with what `tomllib` found.
"""

from __future__ import annotations

import re
from bisect import bisect_right

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_INLINE_BLANK = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|' r"'''.*?'{3,5}|" r'"(?:[^"\\\n]|\\.)*"|' r"'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}\n#]+")


def key_lines(text: str) -> dict[Path, int]:
    """The line (from 1) of every key, table and array element of a valid TOML text, by its path. One pass."""
    return _Scanner(text).scan()


def line_of(lines: dict[Path, int], path: Path) -> int:
    """The line of `path`, or of the nearest thing around it that is in the text."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


def spell(path: Path) -> str:
    """A path as people write it: `task[2].every`; elements are counted from 0."""
    words = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
    return words.removeprefix(".") or "the whole file"


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._array_sizes: dict[Path, int] = {}  # of arrays of tables
        self._newlines = [match.start() for match in re.finditer("\n", text)]

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip(_BLANK) < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
        return self.lines

    def _header(self) -> Path:
        line = self._line()
        is_array = self.text.startswith("[[", self.at)
        self.at += 2 if is_array else 1
        keys = self._keys()
        self.at += 2 if is_array else 1
        table: Path = ()
        for position, key in enumerate(keys):
            table = (*table, key)
            self.lines.setdefault(table, line)
            last = position == len(keys) - 1
            if last and is_array:
                self._array_sizes[table] = self._array_sizes.get(table, 0) + 1
            if table in self._array_sizes:
                table = (*table, self._array_sizes[table] - 1)
                self.lines.setdefault(table, line)
        self.lines[table] = line
        return table

    def _pair(self, table: Path) -> None:
        line = self._line()
        for key in self._keys():
            table = (*table, key)
            self.lines.setdefault(table, line)
        self.at += 1  # the equals sign
        self._skip(_INLINE_BLANK)
        self._value(table)

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._skip(_INLINE_BLANK)
            quoted = _STRING.match(self.text, self.at)
            match = quoted or _BARE_KEY.match(self.text, self.at)
            assert match is not None, "the text must be valid TOML"
            keys.append(_unquoted(match.group()) if quoted else match.group())
            self.at = match.end()
            self._skip(_INLINE_BLANK)
            if self.text[self.at] != ".":
                return keys
            self.at += 1

    def _value(self, path: Path) -> None:
        opening = self.text[self.at]
        if opening == "[":
            self._array(path)
        elif opening == "{":
            self._inline_table(path)
        else:
            match = _STRING.match(self.text, self.at) or _SCALAR.match(self.text, self.at)
            assert match is not None, "the text must be valid TOML"
            self.at = match.end()

    def _array(self, path: Path) -> None:
        self.at += 1
        count = 0
        while self.text[self._skip(_BLANK)] != "]":
            self.lines[(*path, count)] = self._line()
            self._value((*path, count))
            count += 1
            if self.text[self._skip(_BLANK)] == ",":
                self.at += 1
        self.at += 1

    def _inline_table(self, path: Path) -> None:
        self.at += 1
        while self.text[self._skip(_BLANK)] != "}":
            self._pair(path)
            if self.text[self._skip(_BLANK)] == ",":
                self.at += 1
        self.at += 1

    def _skip(self, blank: re.Pattern[str]) -> int:
        match = blank.match(self.text, self.at)
        assert match is not None
        self.at = match.end()
        return self.at

    def _line(self) -> int:
        return bisect_right(self._newlines, self.at - 1) + 1


def _unquoted(text: str) -> str:
    import tomllib

    return str(tomllib.loads(f"key = {text}")["key"])
