"""Which module imports which, read from the sources, and what follows from that."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from tests.support.places import ROOT

Node = TypeVar("Node", bound=ast.AST)
TOP = ("simfs", "tests", "benchmarks")
_MODULE_NAME = re.compile(rf"({'|'.join(TOP)})(\.\w+)+(:\w+)?\.?")


def modules(top: str) -> dict[str, Path]:
    """By dotted name; a package goes by its own name."""
    found = {}
    for path in sorted((ROOT / top).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = modules("simfs")
ALL_MODULES = {name: path for top in TOP for name, path in modules(top).items()}


@cache
def tree(module: str) -> ast.Module:
    return ast.parse(ALL_MODULES[module].read_text())


@cache
def _by_kind(module: str) -> dict[type[ast.AST], list[Any]]:
    found = defaultdict(list)
    for node in ast.walk(tree(module)):  # which takes as long as to parse it: once for all that look
        found[type(node)].append(node)
    return found


def nodes(module: str, *kinds: type[Node]) -> list[Node]:
    """What a module holds of some kinds, wherever in it."""
    return [node for kind in kinds for node in _by_kind(module).get(kind, ())]


@cache
def imports(module: str) -> frozenset[str]:
    """The modules of ours that a module imports wherever in it, in functions and for the type checker too, or names in
    a string; `from package import module` names the module."""
    found = set()
    for name in _names(module):
        while name and name not in ALL_MODULES:
            name = name.rpartition(".")[0]
        found.add(name)
    return frozenset(found - {"", module})


def _names(module: str) -> Iterator[str]:
    for plain in nodes(module, ast.Import):
        yield from (alias.name for alias in plain.names)
    for chosen in nodes(module, ast.ImportFrom):
        assert chosen.level == 0, f"{module}: relative import on line {chosen.lineno}"
        yield from (f"{chosen.module}.{alias.name}" for alias in chosen.names)
    for constant in nodes(module, ast.Constant):
        if isinstance(constant.value, str) and _MODULE_NAME.fullmatch(constant.value):
            yield constant.value.replace(":", ".")


def circles(graph: Mapping[str, Collection[str]]) -> list[list[str]]:
    """The sets of nodes that all reach each other, each sorted (Tarjan, "Depth-first search and linear graph
    algorithms", 1972)."""
    number: dict[str, int] = {}
    lowest: dict[str, int] = {}
    path: list[str] = []
    found = []

    def visit(node: str) -> None:
        number[node] = lowest[node] = len(number)
        path.append(node)
        for other in graph[node]:
            if other not in number:
                visit(other)
            if other in path:
                lowest[node] = min(lowest[node], lowest[other])
        if lowest[node] == number[node]:
            circle = path[path.index(node) :]
            del path[path.index(node) :]
            if len(circle) > 1:
                found.append(sorted(circle))

    for node in graph:
        if node not in number:
            visit(node)
    return sorted(found)
