"""What a section needs beside Python, by the word after `needs`: the marks that skip its test where that is missing."""

from __future__ import annotations

from importlib.util import find_spec

import pytest

from tests.support.mounts import NEEDS_MOUNTS
from tests.support.tools import needs, needs_strace

TOOLS: dict[str, list[pytest.MarkDecorator]] = {
    "cc": [needs("cc", package="gcc libc6-dev")],
    "fsspec": [pytest.mark.skipif(find_spec("fsspec") is None, reason="needs fsspec: pip install 'simfs[fsspec]'")],
    "fuse": NEEDS_MOUNTS,
    "strace": needs_strace(),
}


def missing(tool: str) -> bool:
    """Whether a section that needs a tool can't be followed here."""
    return any(mark.args[0] for mark in TOOLS[tool])
