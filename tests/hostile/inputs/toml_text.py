"""A table as TOML text, odd values included, written so that a person can read it."""

from __future__ import annotations

import math
from datetime import date, datetime, time
from typing import Any

_PLAIN_KEY = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")


def toml_text(table: dict[str, Any]) -> str:
    """Top-level tables with headers, arrays of tables as such, everything deeper inline."""
    lines = [f"{_key(key)} = {_value(value)}" for key, value in table.items() if not _is_headed(value)]
    for key, value in table.items():
        if isinstance(value, dict):
            lines += ["", f"[{_key(key)}]", *_pairs(value)]
        elif _is_headed(value):
            for one in value:
                lines += ["", f"[[{_key(key)}]]", *_pairs(one)]
    return "\n".join(lines) + "\n"


def _is_headed(value: Any) -> bool:
    tables = isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)
    return isinstance(value, dict) or tables


def _pairs(table: dict[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items()]


def _key(key: str) -> str:
    return key if key and _PLAIN_KEY.issuperset(key) else _string(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else str(value)
    if isinstance(value, str):
        return _string(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(_pairs(value)) + " }" if value else "{}"
    return str(value)


def _string(text: str) -> str:
    """A basic string; what may not stand in one is escaped, what no escape can say is left out."""
    signs = []
    for sign in text:
        code = ord(sign)
        if sign in '"\\' or code < 32 or code == 127:
            signs.append(f"\\u{code:04x}")
        elif not 0xD800 <= code <= 0xDFFF:
            signs.append(sign)
    return '"' + "".join(signs) + '"'
