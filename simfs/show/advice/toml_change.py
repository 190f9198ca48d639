"""A change of a scenario: as lines to read, and worked into its file with all comments kept."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from typing import Any

from simfs.replay.scenario.overrides import toml_value
from simfs.replay.scenario.toml_lines import spell
from simfs.study.advice.idea import Change, with_changes


def change_lines(changes: Iterable[Change]) -> Iterator[str]:
    """A line for each setting, as a scenario would have it."""
    for path, value in changes:
        yield f"{spell(path)}: leave it out" if value is None else f"{spell(path)} = {toml_value(value)}"


def changed_text(text: str, changes: Iterable[Change]) -> str:
    """A scenario's text with these changes; comments and everything else stay. Needs tomlkit.

    ValueError if the text is written in a way that can't be changed so.
    """
    import tomlkit

    wanted = list(changes)
    document = tomlkit.parse(text)
    for path, value in wanted:
        node: Any = document
        for step in path[:-1]:
            if isinstance(step, str) and step not in node:
                node[step] = tomlkit.table()
            node = node[step]
        if value is None:
            node.pop(path[-1], None)
        else:
            node[path[-1]] = _inline(value)
    done = tomlkit.dumps(document)
    if _filled(tomllib.loads(done)) != _filled(with_changes(tomllib.loads(text), wanted)):
        raise ValueError("the file is written in a way that can't be changed by itself; change it by hand")
    return done


def _filled(table: dict[str, Any]) -> dict[str, Any]:
    """Without tables that are empty: where the last of `[values.level]` and the like goes, `[values]` goes too."""
    tables = {key: _filled(value) if isinstance(value, dict) else value for key, value in table.items()}
    return {key: value for key, value in tables.items() if value != {}}


def _inline(value: Any) -> Any:
    """A value as tomlkit takes it; tables within a list stay on one line each."""
    import tomlkit

    if isinstance(value, dict):
        table = tomlkit.inline_table()
        table.update({key: _inline(one) for key, one in value.items()})
        return table
    if isinstance(value, list):
        array = tomlkit.array()
        array.extend(_inline(one) for one in value)
        return array.multiline(True)
    return value
