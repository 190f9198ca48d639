"""What a section needs beside Python, by the word after `needs`: the marks that skip its test where that is missing."""

from __future__ import annotations

import subprocess
from importlib.util import find_spec
from shutil import which

import pytest

from tests.support.mounts import NEEDS_MOUNTS
from tests.support.tools import needs


def _may_trace() -> bool:
    return not which("strace") or subprocess.run(["strace", "true"], capture_output=True, check=False).returncode == 0


TOOLS: dict[str, list[pytest.MarkDecorator]] = {
    "cc": [needs("cc", package="gcc libc6-dev")],
    "fsspec": [pytest.mark.skipif(find_spec("fsspec") is None, reason="needs fsspec: pip install 'simfs[fsspec]'")],
    "fuse": NEEDS_MOUNTS,
    "strace": [
        needs("strace", package="strace"),
        pytest.mark.skipif(not _may_trace(), reason="strace may not trace here: ask the administrator for ptrace"),
    ],
}


def missing(tool: str) -> bool:
    """Whether a section that needs a tool can't be followed here."""
    return any(mark.args[0] for mark in TOOLS[tool])
