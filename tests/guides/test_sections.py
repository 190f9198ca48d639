"""Each section of the README and of the guides, followed in an empty directory: its commands print what it shows."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.guides.sections import LANGUAGES, SECTIONS, Section
from tests.guides.session import commands_of, fits, run
from tests.guides.tools import TOOLS

RUN = [section for section in SECTIONS if section.is_run]


def as_case(section: Section) -> object:
    marks = [mark for tool in section.needs for mark in TOOLS[tool]]
    if section.slow:
        marks.append(pytest.mark.slow)
    return pytest.param(section, id=f"{section.page.stem}: {section.title}", marks=marks)


@pytest.mark.parametrize("section", [as_case(section) for section in RUN])
def test_commands_print_what_is_shown(section: Section, tmp_path: Path) -> None:
    found = run(section, tmp_path)
    commands = commands_of(section)
    assert len(found) == len(commands)
    for command, (printed, status) in zip(commands, found, strict=True):
        assert fits(command.shown, printed), f"$ {command.line}\n{printed}"
        assert status == 0 or command.shown, f"$ {command.line}\nended with {status}"


def test_every_block_is_of_a_known_kind() -> None:
    blocks = [(section.title, block) for section in SECTIONS for block in section.blocks]
    assert [(title, block.language) for title, block in blocks if block.language not in LANGUAGES] == []
    assert len([block for _, block in blocks if block.language == "console"]) >= 20
