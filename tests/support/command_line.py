"""The program `simfs` as a process of its own."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

from tests.support.places import ROOT


def program(*words: object, **how: Any) -> subprocess.CompletedProcess[str]:
    """What it printed, and its exit status."""
    command = [sys.executable, "-m", "simfs", *map(str, words)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False, **how)
