"""Tools that some tests need beside Python. Without its tool a test is skipped, and the reason says what to install.

Where SIMFS_TOOLS_INSTALLED is set, as `.ci/run` does once it has installed them all, a missing tool is an error.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from importlib.util import find_spec

import pytest

ALL_INSTALLED = "SIMFS_TOOLS_INSTALLED"


def needs(tool: str, *, package: str, found: bool | None = None) -> pytest.MarkDecorator:
    """Skip where there is no such program; `found` tells it of what is no program. `package` is Debian's."""
    if found is None:
        found = shutil.which(tool) is not None
    why = f"needs {tool}: apt-get install -y {package}"
    if not found and os.environ.get(ALL_INSTALLED):
        pytest.fail(f"{why} ({ALL_INSTALLED} is set)", pytrace=False)
    return pytest.mark.skipif(not found, reason=why)


def needs_strace() -> list[pytest.MarkDecorator]:
    """Skip without strace, and where it may not trace."""
    there = shutil.which("strace") is not None
    may_not = there and subprocess.run(["strace", "true"], capture_output=True, check=False).returncode != 0
    refused = pytest.mark.skipif(may_not, reason="strace may not trace here: ask the administrator for ptrace")
    return [needs("strace", package="strace"), refused]


def needs_cpython_tests() -> pytest.MarkDecorator:
    """Skip where the interpreter comes without CPython's own tests, as Debian's does."""
    package = f"libpython{sys.version_info.major}.{sys.version_info.minor}-testsuite"
    return needs("CPython's own tests", package=package, found=find_spec("test.test_fileio") is not None)
