"""The type checker and the linter find nothing, in their strict settings of pyproject.toml."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.support.places import ROOT


@pytest.mark.parametrize(
    "words", [["mypy"], ["ruff", "check", "simfs", "tests", "benchmarks", "scenarios"]], ids=lambda words: words[0]
)
def test_nothing_is_found(words: list[str]) -> None:
    pytest.importorskip(words[0], reason=f"needs {words[0]}: pip install {words[0]}")
    done = subprocess.run([sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
