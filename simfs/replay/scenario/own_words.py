"""What is wrong with a value, in our own words where pydantic has others. Each says what was given, and what is let
through."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from simfs.replay.scenario.near_words import did_you_mean

SHOWN_MAX = 60

_TYPES = {  # what it should be, and what to write
    "string_type": ("text in quotes", "it in quotes"),
    "int_type": ("a whole number", "one, such as 3"),
    "float_type": ("a number", "one, such as 2.5"),
    "bool_type": ("true or false", "one of them"),
    "list_type": ("a list, [ ... ]", "one"),
    **dict.fromkeys(("dict_type", "model_type", "model_attributes_type"), ("a table, { key = value }", "one")),
}
_BOUNDS = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
}
_LENGTHS = {
    "too_short": ("at least", "min_length", "element"),
    "too_long": ("at most", "max_length", "element"),
    "string_too_short": ("at least", "min_length", "character"),
    "string_too_long": ("at most", "max_length", "character"),
}


def in_own_words(kind: str, given: object, context: Mapping[str, Any], message: str) -> str:
    """What is wrong: `kind` and `context` are those of pydantic's error, `message` is its own text, for a kind that has
    no words of ours."""
    if kind in _TYPES:
        wanted, right = _TYPES[kind]
        return f"{shown(given)} is not {wanted}; write {right}"
    if kind in _BOUNDS:
        word, bound = _BOUNDS[kind]
        if isinstance(given, float) and not math.isfinite(given):
            return f"{given} is not a finite number; write one that is {word} {_number(context[bound])}"
        return f"{shown(given)} is out of bounds; write {word} {_number(context[bound])}"
    if kind in _LENGTHS:
        return _wrong_length(kind, given, context)
    if kind == "literal_error":
        return not_one_of(given, re.findall("'(.*?)'", context["expected"]))
    return f"{shown(given)}: {message[0].lower()}{message[1:]}"


def not_one_of(given: object, known: list[str]) -> str:
    """What to say where only some words are let through."""
    words = ", ".join(shown(word) for word in known)
    return f"{shown(given)} is not one of the choices; {did_you_mean(given, known)}known are {words}"


def shown(value: object) -> str:
    """A value as TOML writes it; a long one is cut."""
    text = _toml(value)
    return text if len(text) <= SHOWN_MAX else text[: SHOWN_MAX - 3] + "..."


def _wrong_length(kind: str, given: object, context: Mapping[str, Any]) -> str:
    word, bound, what = _LENGTHS[kind]
    count = context[bound]
    wanted = f"write {word} {_number(count)} {what if count == 1 else what + 's'}"
    length = len(given) if isinstance(given, (str, list, dict)) else context.get("actual_length")
    if not length:
        return f"it is empty; {wanted}"
    return f"it has {_number(length)} {what if length == 1 else what + 's'}; {wanted}"


def _number(value: float) -> str:
    return f"{value:,.0f}" if value == int(value) else str(value)


def _toml(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value[:SHOWN_MAX]))}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{key} = {_toml(one)}' for key, one in list(value.items())[:SHOWN_MAX])} }}"
    return str(value)
