"""Typed operations as a scenario."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from simfs.replay.scenario.overrides import toml_value
from simfs.replay.scenario.quantities import format_duration, format_size
from simfs.study.film.session import Board, Session
from simfs.study.film.typed import Typed

STEP_NS = 60 * 10**9
OPERATIONS_MAX = 100  # of a task


def typed_scenario(session: Session, scenario: str | None) -> str:
    """The text of a scenario that does what was typed, on the same flash. A power cut can't be said in one: it is a
    comment, and the operation is done whole. OSError if the scenario that gave the flash can't be read any more."""
    tasks, duration_ns = _tasks(session.typed)
    head = ['title = "Operations that were typed"', "", *_flash(session.board, scenario), ""]
    run = ["[run]", "start = 2031-01-01", f"duration = {json.dumps(format_duration(duration_ns))}", ""]
    return "\n".join([*head, *run, *tasks])


def _flash(board: Board, scenario: str | None) -> list[str]:
    if scenario is not None:
        table = tomllib.loads(Path(scenario).read_text(encoding="utf-8-sig"))
        return [line for name in ("chip", "store") if name in table for line in _table(name, table[name])]
    geometry = board.datasheet
    size = board.block_count * geometry.block_bytes
    return list(
        _table(
            "chip",
            {
                "size": format_size(size),
                "block": format_size(geometry.block_bytes),
                "page": format_size(geometry.page_bytes),
            },
        )
    )


def _table(name: str, table: dict[str, Any]) -> Iterator[str]:
    yield f"[{name}]"
    for key, value in table.items():
        yield f"{key} = {toml_value(value)}"


def _tasks(typed: Sequence[Typed]) -> tuple[list[str], int]:
    """A task for the operations between two boots, one after the other, and how long all take."""
    groups: list[tuple[int, list[Typed]]] = [(0, [])]
    now_ns = 0
    for one in typed:
        if one.operation == "idle":
            now_ns += one.number * one.repeat
            groups.append((now_ns, []))
            continue
        groups[-1][1].append(one)
        if one.operation == "boot" or one.cut_at is not None or len(groups[-1][1]) >= OPERATIONS_MAX - 1:
            now_ns += STEP_NS
            groups.append((now_ns, []))
    lines = [line for number, (at_ns, some) in enumerate(groups, 1) if some for line in _task(number, at_ns, some)]
    return lines, now_ns + STEP_NS


def _task(number: int, at_ns: int, typed: Sequence[Typed]) -> Iterator[str]:
    yield "[[task]]"
    yield f'name = "typed {number}"'
    yield f'every = "1000 d"\nfirst = {json.dumps(format_duration(at_ns))}' if at_ns else 'every = "1000 d"'
    yield "operations = ["
    for one in typed:
        if one.cut_at is not None:
            yield f"    # typed: {json.dumps(one.line, ensure_ascii=False)[1:-1]}"
        yield f"    {_operation(one)},"
        if one.cut_at is not None and one.operation != "boot":
            yield '    { do = "boot" },'
    yield "]\n"


def _operation(one: Typed) -> str:
    keys: dict[str, Any] = {"do": one.operation}
    if one.operation == "list":
        keys["prefix"] = one.name
    elif one.operation != "boot":
        keys["file"] = _escaped(one.name)
    if one.operation == "rename":
        keys["to"] = _escaped(one.to)
    if one.operation == "update":
        keys["at"] = f"{one.number} B"
    if one.operation == "truncate":
        keys["size"] = f"{one.number} B"
    if one.size_bytes is not None:
        keys["size"] = f"{one.size_bytes} B"
    elif one.data:
        keys["text"] = _escaped(one.data.decode())
    elif one.operation in ("append", "write", "update"):
        keys["text"] = ""
    if one.repeat > 1 and one.operation != "boot":
        keys["repeat"] = one.repeat
    return f"{{ {', '.join(f'{key} = {toml_value(value)}' for key, value in keys.items())} }}"


def _escaped(text: str) -> str:
    """Braces stand for themselves."""
    return text.replace("{", "{{").replace("}", "}}")
