"""Faults of a scenario: what pydantic finds, in the scenario's own words, with what would be right."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ValidationError

from simfs.replay.scenario.near_words import did_you_mean
from simfs.replay.scenario.own_words import in_own_words, not_one_of, shown
from simfs.replay.scenario.toml_lines import Path

FAULTS_SHOWN_MAX = 200


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in a file."""

    file: str
    line: int
    path: str
    what: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.path}: {self.what}"


class BadScenario(ValueError):
    """A scenario that can't be played; `faults` has everything that is wrong with it, in the order of the lines."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = sorted(faults, key=lambda fault: fault.line)[:FAULTS_SHOWN_MAX]
        super().__init__("\n".join(map(str, self.faults)))


def model_faults(error: ValidationError, model: type[BaseModel], table: Mapping[str, Any]) -> list[tuple[Path, str]]:
    """The path in `table` of each fault that pydantic found, and what is wrong there."""
    schema = model.model_json_schema()
    found: dict[Path, str] = {}  # of a key that takes several kinds of value, pydantic says what is wrong with each
    for one in error.errors():
        path = _real_path(table, one["loc"])
        found[path] = _what(dict(one), path, schema, table)
    return list(found.items())


def _real_path(table: Any, location: tuple[str | int, ...]) -> Path:
    """pydantic's location without the parts that are not in the file: the tags of operations and of alternatives."""
    path: list[str | int] = []
    node: Any = table
    for position, step in enumerate(location):
        if isinstance(node, dict) and isinstance(step, str):
            if step not in node and node.get("do") == step:
                continue  # the tag of an operation
            if step not in node and position < len(location) - 1:
                continue
        elif not (isinstance(node, list) and isinstance(step, int)):
            continue  # an alternative of a union, or the key of a mapping
        path.append(step)
        node = _child(node, step)
    return tuple(path)


def _what(error: dict[str, Any], path: Path, schema: dict[str, Any], table: Any) -> str:
    kind, given, context = error["type"], error["input"], error.get("ctx", {})
    around, node = _schema_at(schema, path, table)
    right = node.get("description", "")
    if kind == "value_error" and isinstance(given, str) and "enum" in node:
        return not_one_of(given, node["enum"])
    if kind == "value_error":
        what = str(context["error"])
        return what if ";" in what or not right else f"{what}; right would be: {right}"
    if kind == "extra_forbidden":
        known = list(around.get("properties", {}))
        elsewhere = _belongs(schema, path[-1])
        near = "" if elsewhere else did_you_mean(path[-1], known)
        what = "there is no such key here" if elsewhere else "there is no such key"
        return f"{what}; {elsewhere or near}known here are {', '.join(known)}"
    if kind == "missing":
        return f"it is missing; write {right or 'it'}"
    if kind == "union_tag_not_found":
        return 'it has no do; write for example do = "append"'
    if kind == "union_tag_invalid":
        return _no_operation(given.get("do"), context["expected_tags"].replace("'", "").split(", "))
    if path in (("task",), ("region",), ("card_out",)) and isinstance(given, dict):
        return f"it is one table, where a list of tables belongs; write [[{path[0]}]], with two brackets"
    what = in_own_words(kind, given, context, error["msg"])
    if not right:
        return what if ";" in what else f"{what}; write it so"
    return f"{what}{'. It means' if ';' in what else '; right would be'}: {right}"


def _belongs(schema: dict[str, Any], key: str | int) -> str:
    """Where in a scenario a key belongs that stands in the wrong table; nothing if nowhere."""
    if schema.get("title") != "Scenario":
        return ""
    homes = []
    for name, value in schema["properties"].items():
        table, is_list = _resolved(value, schema, None), value.get("type") == "array"
        if is_list:
            table = _resolved(table["items"], schema, None)
        if name == key and "properties" in table:
            return f"write {f'[[{name}]]' if is_list else f'[{name}]'}, a table of its own; "
        if key in table.get("properties", {}):
            homes.append(f"[[{name}]]" if is_list else f"[{name}]")
        if name == "task" and any(key in _resolved(one, schema, None)["properties"] for one in _operations(table)):
            homes.append("an operation")
    some = " or ".join(filter(None, (", ".join(homes[:-1]), *homes[-1:])))
    return f"{key} is a key of {some}; " if homes else ""


def _operations(task: dict[str, Any]) -> list[dict[str, Any]]:
    """The schemas of a task's operations."""
    mapping = task["properties"]["operations"]["items"]["discriminator"]["mapping"]
    return [{"$ref": one} for one in mapping.values()]


def _no_operation(given: object, known: list[str]) -> str:
    return f"there is no operation {shown(given)}; {did_you_mean(given, known)}known are {', '.join(known)}"


def _schema_at(schema: dict[str, Any], path: Path, table: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    """The schema around a path and at it; empty if there is none."""
    around: dict[str, Any] = {}
    node: dict[str, Any] = schema
    value: Any = table
    for step in path:
        around = _resolved(node, schema, value)
        if isinstance(step, int):
            node = around.get("items", {})
        else:
            node = around.get("properties", {}).get(step) or around.get("additionalProperties") or {}
            node = node if isinstance(node, dict) else {}
        value = _child(value, step)
    return around, {**_resolved(node, schema, value), **{k: v for k, v in node.items() if k == "description"}}


def _resolved(node: dict[str, Any], schema: dict[str, Any], value: Any) -> dict[str, Any]:
    """Follow references, the alternative that is not null, and the tag of an operation."""
    while True:
        if "$ref" in node:
            node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
        elif "discriminator" in node:
            mapping = node["discriminator"]["mapping"]
            tag = value.get("do") if isinstance(value, dict) else None
            if not isinstance(tag, str) or tag not in mapping:
                return node
            node = {"$ref": mapping[tag]}
        elif "anyOf" in node:
            node = next((one for one in node["anyOf"] if one.get("type") != "null"), {})
        else:
            return node


def _child(value: Any, step: str | int) -> Any:
    if isinstance(value, dict):
        return value.get(step)
    if isinstance(value, list) and isinstance(step, int) and step < len(value):
        return value[step]
    return None
