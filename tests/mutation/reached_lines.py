"""Which tests reach a line: no other ones can notice a change of it. Run as a pytest plugin too (`-p reached_lines`),
which tells coverage whose lines they are."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from coverage import Coverage, CoverageData

from tests.support.places import ROOT

AT_IMPORT = ""  # by whoever imports the module

Reached = dict[str, dict[int, set[str]]]  # by path of the source: by line: test functions, by pytest's names of them


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    measuring = Coverage.current()
    assert measuring is not None
    measuring.switch_context(item.nodeid.partition("[")[0])
    try:
        return (yield)
    finally:
        measuring.switch_context(AT_IMPORT)


def reached_lines(tests: Sequence[str], selected: str) -> Reached:
    """Run these tests once, under coverage, and note which lines of simfs each test function reaches, its fixtures
    included."""
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        command = [sys.executable, "-m", "coverage", "run", f"--source={ROOT / 'simfs'}", f"--data-file={data}"]
        command += ["-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "tests.mutation.reached_lines"]
        command += ["-p", "_hypothesis_pytestplugin", "--hypothesis-seed=0", "-k", selected, *tests]
        environment = {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": str(ROOT)}
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
        if done.returncode:
            raise SystemExit(f"the tests fail under coverage:\n{done.stdout[-3000:]}{done.stderr[-1000:]}")
        found = CoverageData(str(data))
        found.read()
        return {
            path: {line: set(contexts) for line, contexts in found.contexts_by_lineno(path).items()}
            for path in found.measured_files()
        }
