"""The house rules that a reader relies on: that nothing lies about unused, that modules and functions stay short, and
that only the command line prints."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from tests.house.import_graph import MODULES, imports, nodes
from tests.support.places import ROOT

pytestmark = pytest.mark.together  # with all that reads the sources

ENTRY_POINTS = {
    "simfs.__main__",  # python -m simfs
    "simfs.store.format.dump",  # by the declaration of the format: for tests and inspection, never for the hot path
    "simfs.files.model",  # the truth for tests
    "simfs.bridges.testing.plugin",  # what pytest loads
    "simfs.bridges.fsspec_store",  # what fsspec loads
    "simfs.bridges.patched",  # for whoever runs firmware logic in Python
}
WATCHED = {"Device", "Store", "StoreFile", "NorFlash"}
DERIVED = {
    "WearingFlash": "its erases fail",
    "NotedFlash": "it is filled with one state after the other",
}
"""What derives from the device, the store or the flash, and why: who only listens is an observer."""
LINES_MAX = 300
FUNCTION_LINES_MAX = 40
LONG_MODULES: set[str] = set()
LONG_FUNCTIONS: set[str] = set()


def test_every_module_is_used() -> None:
    used = {name for module in MODULES for name in imports(module)}
    packages = {name for name, path in MODULES.items() if path.name == "__init__.py"}
    assert MODULES.keys() - used - packages - ENTRY_POINTS == set()
    assert MODULES.keys() >= ENTRY_POINTS


def test_modules_and_functions_are_short() -> None:
    lines = {module: len(path.read_text().splitlines()) for module, path in MODULES.items()}
    assert {module for module, length in lines.items() if length > LINES_MAX} == LONG_MODULES
    functions = {
        f"{module}.{node.name}": lines_of(node)
        for module in MODULES
        for node in nodes(module, ast.FunctionDef, ast.AsyncFunctionDef)
    }
    assert {name for name, length in functions.items() if length > FUNCTION_LINES_MAX} == LONG_FUNCTIONS


def lines_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """The lines of a function, its signature and docstring included."""
    assert function.end_lineno is not None
    return function.end_lineno - function.lineno + 1


def test_only_the_command_line_prints() -> None:
    quiet = [module for module in MODULES if not module.startswith(("simfs.cli", "simfs.__main__"))]
    assert [f"{module}, line {number}" for module in quiet for number in lines_that_print(module)] == []


def lines_that_print(module: str) -> list[int]:
    calls = [call.func for call in nodes(module, ast.Call)]
    named = [call for call in calls if isinstance(call, ast.Name) and call.id in ("print", "input", "breakpoint")]
    streams = [node for node in nodes(module, ast.Attribute) if node.attr in ("stdout", "stderr", "echo", "secho")]
    return [node.lineno for node in (*named, *streams)]


def test_nothing_derives_from_what_it_could_observe() -> None:
    classes = [node for module in MODULES for node in nodes(module, ast.ClassDef)]
    bases = {one.name: {base.id for base in one.bases if isinstance(base, ast.Name)} for one in classes}
    derived: set[str] = set()
    while more := {name for name, of in bases.items() if of & (WATCHED | derived)} - derived:
        derived |= more
    assert derived == DERIVED.keys()


def test_nothing_is_left_undone() -> None:
    here = {Path(__file__).name}
    paths = [path for folder in ("simfs", "tests", "benchmarks", "scenarios") for path in (ROOT / folder).rglob("*.py")]
    left = re.compile(r"\b(FIXME|TODO|XXX|HACK)\b")
    assert [path.name for path in paths if path.name not in here and left.search(path.read_text())] == []


def test_the_top_level_holds_nothing_else() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "simfs", "tests", "scenarios", "benchmarks"}
    passing = {"build", "dist", "htmlcov"}  # made by tools
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert found - passing <= allowed
