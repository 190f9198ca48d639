"""The program that sections are followed with is forked from one that has all loaded: it does what `simfs` does."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.loaded.start import programs

INSTALLED = Path(sys.executable).parent


@pytest.mark.parametrize(
    "line",
    [
        "simfs nonsense",
        "simfs lesson 1 --save . && simfs run coffee.toml --json --save-image x.bin && cksum x.bin",
        "printf 'write /a b\\n' | simfs try",
        "simfs keys 2>&1 >/dev/full",
    ],
)
def test_it_does_what_the_installed_one_does(line: str, tmp_path: Path) -> None:
    found = []
    for folder in (programs(), INSTALLED):
        (tmp_path / folder.name).mkdir()
        path = f"{folder}{os.pathsep}{os.environ['PATH']}"
        done = subprocess.run(
            ["bash", "-c", line],
            cwd=tmp_path / folder.name,
            env={**os.environ, "PATH": path},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
        )
        found.append((done.stdout, done.stderr, done.returncode))
    assert found[0] == found[1]
