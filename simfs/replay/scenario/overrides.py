"""Settings of a scenario given from outside: a path into its TOML, and a value.

store.size          a key of a table
task[0].every       tables in an array count from 0
task.gauge.every    or go by their name
"""

from __future__ import annotations

import json
import re
import tomllib
from copy import deepcopy
from typing import Any

from simfs.replay.scenario.near_words import did_you_mean
from simfs.replay.scenario.toml_lines import Path, spell

_STEP = re.compile(r"\.?(?:([A-Za-z0-9_-]+)|\"([^\"]+)\"|\[([0-9]{1,6})\])")
_PART = re.compile(r"\"[^\"]*\"|'[^']*'|\[[^\]]*\]|\{[^}]*\}|.", re.DOTALL)


def parse_path(text: str) -> Path:
    """The steps of a path. `ValueError` says what would be right."""
    steps: list[str | int] = []
    at = 0
    while at < len(text):
        match = _STEP.match(text, at)
        if match is None or (at == 0) != (text[at] not in ".[") or (match[3] and text[at] == "."):
            raise ValueError("it is not a path to a setting; write for example store.size or task[0].every")
        steps.append(int(match[3]) if match[3] else match[1] or match[2])
        at = match.end()
    if not steps:
        raise ValueError("it names no setting; write for example store.size")
    return tuple(steps)


def parse_values(text: str) -> list[tuple[str, Any]]:
    """The values of a list such as `512KiB,1MiB`, each as it is written and as TOML reads it; what is no TOML is text.

    A value with a comma of its own goes in quotes or brackets. `ValueError` if one is empty.
    """
    parts = [""]
    for sign in _PART.findall(text):
        if sign == ",":
            parts.append("")
        else:
            parts[-1] += sign
    found = [part.strip() for part in parts]
    if not all(found):
        raise ValueError("a value is empty; write values with commas between them, for example 512KiB,1MiB")
    return [(part, _meant(part)) for part in found]


def resolved(table: dict[str, Any], path: Path) -> Path:
    """The path with numbers in place of the names of tasks. `ValueError` if there is no such table."""
    node: Any = table
    found: list[str | int] = []
    for step in path:
        if isinstance(node, list):
            step = _place(node, step, spell(tuple(found)))
            node = node[step]
        elif isinstance(node, dict) and isinstance(step, str):
            node = node.get(step)
        elif node is not None or isinstance(step, int):
            raise ValueError(f"{spell(tuple(found))} has nothing in it that could be called {step}; shorten the path")
        found.append(step)
    return tuple(found)


def with_setting(table: dict[str, Any], path: Path, value: Any) -> dict[str, Any]:
    """A copy of the table in which the setting at a resolved path has this value; None takes it out."""
    changed = deepcopy(table)
    node: Any = changed
    for step in path[:-1]:
        node = node.setdefault(step, {}) if isinstance(node, dict) else node[step]
    if value is None:
        node.pop(path[-1], None)
    else:
        node[path[-1]] = value
    return changed


def with_written(table: dict[str, Any], text: str) -> dict[str, Any]:
    """A copy of the table with a setting such as `store.size=512KiB`. `ValueError` says what would be right."""
    setting, sign, values = (part.strip() for part in text.partition("="))
    if not sign:
        raise ValueError("it gives no value; write a setting and its value, as in store.size=512KiB")
    place = resolved(table, parse_path(setting))
    (_, value), *more = parse_values(values)
    if more:
        raise ValueError("it has more than one value; give one, or the option once for each")
    return with_setting(table, place, value)


def toml_value(value: Any) -> str:
    """A value as a scenario has it, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{key} = {toml_value(one)}' for key, one in value.items())} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(toml_value, value))}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def _place(tables: list[Any], step: str | int, what: str) -> int:
    if isinstance(step, int):
        if step < len(tables):
            return step
        raise ValueError(f"{what} has {len(tables)} elements, counted from 0; there is no [{step}]")
    names = [table.get("name") if isinstance(table, dict) else None for table in tables]
    if step in names:
        return names.index(step)
    known = ", ".join(str(name) for name in names if name) or f"[0] to [{len(tables) - 1}]"
    near = did_you_mean(step, [name for name in names if isinstance(name, str)])
    raise ValueError(f"there is no {what} named {step}; {near}known are {known}")


def _meant(text: str) -> Any:
    try:
        meant = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return meant["value"] if len(meant) == 1 else text
