"""Without the tools that some tests need beside Python, tests pass or are skipped, and a skip says what to install."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from tests.house.import_graph import ALL_MODULES, imports, modules, nodes
from tests.support.places import ROOT
from tests.support.tools import ALL_INSTALLED

NEEDS = "tests.support.tools"
TOOLS = {"fusermount3", "strace", "rsync", "fio", "cc", "gcc", "fsck.fat", "mcopy", "chromium"}
MOUNTS = "tests/bridges/mount"  # some of its tests are never skipped and might ask for libfuse
NO_LIBFUSE = """\
import ctypes.util
ctypes.util.find_library = lambda name: None
"""
SELECTION = f"""\
def pytest_collection_modifyitems(items):
    items[:] = [item for item in items if item.get_closest_marker("skipif") or item.nodeid.startswith("{MOUNTS}")]
"""


def modules_that_may_be_skipped() -> list[str]:
    """The test modules that go through `needs`, themselves or by what they import."""
    return [name for name in modules("tests") if "test_" in name and NEEDS in all_imports(name) and name != __name__]


def all_imports(module: str) -> set[str]:
    """What a module imports, and what that does in turn, as far as it is of the tests."""
    found, left = set[str](), [module]
    while left:
        new = imports_of_tests(left.pop()) - found
        found |= new
        left += new
    return found


@cache
def imports_of_tests(module: str) -> frozenset[str]:
    return frozenset(name for name in imports(module) if name.startswith("tests."))


def link_programs(directory: Path) -> None:
    """All programs of this machine but the tools."""
    directory.mkdir()
    for place in map(Path, os.get_exec_path()):
        for program in place.iterdir() if place.is_dir() else ():
            link = directory / program.name
            if program.name not in TOOLS and not link.is_symlink():
                link.symlink_to(program)


def on_a_bare_machine(folder: Path, *words: str, **more: str) -> str:
    """What pytest prints of tests that may be skipped, and of those of mounts, where there are none of the tools."""
    (folder / "sitecustomize.py").write_text(NO_LIBFUSE)
    (folder / "selection.py").write_text(SELECTION)
    link_programs(folder / "bin")
    environment = {**os.environ, **more, "PATH": str(folder / "bin"), "PYTHONPATH": str(folder)}
    paths = [str(ALL_MODULES[name].relative_to(ROOT)) for name in modules_that_may_be_skipped()]
    command = [sys.executable, "-m", "pytest", "-q", "-rs", "-p", "no:cacheprovider", "-p", "selection", *words]
    command += [MOUNTS, *paths]
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False).stdout


@pytest.mark.together
def test_a_module_that_runs_a_tool_says_that_it_needs_it() -> None:
    may_be_skipped = modules_that_may_be_skipped()
    assert len(may_be_skipped) > 5
    for module in modules("tests").keys() - {__name__, NEEDS}:
        if module.startswith("tests.recordings."):  # programs on their own, which no test runs
            continue
        strings = {constant.value for constant in nodes(module, ast.Constant)}
        assert not strings & TOOLS or NEEDS in all_imports(module), module


def test_without_the_tools_each_skip_says_what_to_install(tmp_path: Path) -> None:
    output = on_a_bare_machine(tmp_path, "-m", "", **{ALL_INSTALLED: ""})
    reasons = re.findall(r"^SKIPPED \[\d+\] \S+ (.*)$", output, re.MULTILINE)
    assert re.search(r"^\d+ passed, \d+ skipped(, \d+ deselected)? in ", output, re.MULTILINE), output
    installs = re.compile(r"needs .+: (apt-get install -y|pip install) .+")
    assert [reason for reason in reasons if not installs.fullmatch(reason)] == []
    for package in ("fuse3", "strace", "gcc libc6-dev"):
        assert any(reason.endswith(package) for reason in reasons), package


def test_where_all_is_installed_a_missing_tool_is_an_error(tmp_path: Path) -> None:
    output = on_a_bare_machine(tmp_path, "--collect-only", **{ALL_INSTALLED: "1"})
    assert "needs fusermount3: apt-get install -y fuse3" in output
    assert "needs strace: apt-get install -y strace" in output
    assert "skipped" not in output


@pytest.mark.parametrize("tool", sorted(TOOLS - {"gcc"}))
def test_what_ci_installs_is_what_the_tests_need(tool: str) -> None:
    assert re.search(rf"\b{tool}\b", (ROOT / ".ci/run").read_text())


def test_ci_finds_the_test_command_of_the_readme() -> None:
    finding = re.search(r'^eval "\$\((.*)\)"$', (ROOT / ".ci/run").read_text(), re.MULTILINE)
    assert finding is not None
    found = subprocess.run(["bash", "-c", finding[1]], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert re.fullmatch(r"python3 -m venv .* && .*pip install .* && .*pytest .*\n", found)
