"""Runs a section's commands in a shell, as a reader would who pastes them one after the other."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from tests.guides.sections import Command, Section
from tests.support.loaded.start import programs
from tests.support.places import ROOT

TIMEOUT_S = 900
_CHANGE_WORDING = ("CI", "BUILD_NUMBER", "COLUMNS", "PYTEST_ADDOPTS")  # pytest, for one, prints more where CI is set
_MARK = "@@ the command ended with status "
_TIMES = re.compile(r"in \d+\.\d+s")


def commands_of(section: Section) -> list[Command]:
    return [command for block in section.blocks for command in block.commands]


def run(section: Section, directory: Path) -> list[tuple[str, int]]:
    """What each command of a section prints, and its exit status."""
    (directory / "scenarios").symlink_to(ROOT / "scenarios")
    for block in section.blocks:
        if block.file_name:
            (directory / block.file_name).write_text(block.text)
    script = "".join(f"{command.line}\necho '{_MARK}'$?\n" for command in commands_of(section))
    tools = os.pathsep.join(map(str, [programs(), Path(sys.executable).parent, os.environ["PATH"]]))
    done = subprocess.run(
        ["bash", "-c", script],
        cwd=directory,
        env=_environment(tools),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=TIMEOUT_S,
        check=False,
    )
    parts = re.split(rf"{re.escape(_MARK)}(\d+)\n", done.stdout)
    return list(zip(parts[::2], map(int, parts[1::2]), strict=False))


def _environment(tools: str) -> dict[str, str]:
    """That of a reader at a terminal of usual width, wherever the tests run."""
    kept = {name: value for name, value in os.environ.items() if name not in _CHANGE_WORDING}
    return {**kept, "PATH": tools, "LC_ALL": "C.UTF-8", "TZ": "UTC"}


def fits(shown: str, printed: str) -> bool:
    """Whether a command printed what the page shows. A line `...` stands for any lines; times may differ."""
    lines = [r"(?:.*\n)*?" if line == "..." else re.escape(_timeless(line)) + r"\n" for line in shown.splitlines()]
    return re.fullmatch("".join(lines), _timeless(printed)) is not None


def _timeless(text: str) -> str:
    return _TIMES.sub("in ?s", text)
