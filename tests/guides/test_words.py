"""What the pages name is there: commands, options, files of the project, other guides. Every option is described."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from simfs.cli import commands
from tests.guides.sections import GUIDES, PAGES, README
from tests.support.places import ROOT

PLUGIN = ROOT / "simfs" / "bridges" / "testing" / "options.py"
OF_OTHER_PROGRAMS = {"--output"}
TEXTS = [*PAGES, ROOT / "DEVELOPERS.md", *sorted((ROOT / "simfs").rglob("[A-Z]*.md"))]

_OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")
_LINK = re.compile(r"\]\(([^)#]+)(?:#[^)]*)?\)")
_PATH = re.compile(r"(?<![\w/.])(?:simfs|scenarios|tests|benchmarks)/[\w/.-]*\w")


def all_commands(group: click.Group, before: str = "") -> Iterator[tuple[str, click.Command]]:
    """Every command by its words, as `image build`."""
    for name, command in group.commands.items():
        yield before + name, command
        if isinstance(command, click.Group):
            yield from all_commands(command, f"{before}{name} ")


COMMANDS = dict(all_commands(commands))
OPTIONS = {
    option
    for command in COMMANDS.values()
    for parameter in command.params
    if isinstance(parameter, click.Option)
    for option in parameter.opts
}


def test_every_option_is_described_and_every_option_named_is_there() -> None:
    named = {option for page in PAGES for option in _OPTION.findall(page.read_text())}
    assert OPTIONS - named == set()
    assert named - OPTIONS - set(_OPTION.findall(PLUGIN.read_text())) == OF_OTHER_PROGRAMS


def test_every_command_is_named_and_every_command_named_is_there() -> None:
    text = "\n".join(page.read_text() for page in PAGES)
    named = set(re.findall(r"(?:`|\$ )simfs ([a-z]+)", text))
    assert named == {words.partition(" ")[0] for words in COMMANDS}
    assert [words for words in COMMANDS if not re.search(rf"`?{words.rpartition(' ')[2]}\b", text)] == []


def test_as_many_cut_tests_as_the_run_shown_passed() -> None:
    text = (ROOT / "simfs" / "guides" / "tests.md").read_text()
    (cuts,) = re.findall(r"(\d+) of the tests are cuts", text)
    assert f"\n{int(cuts) + 1} passed in " in text  # and one with limits


@pytest.mark.parametrize("page", TEXTS, ids=lambda page: page.name)
def test_files_that_a_page_names_are_there(page: Path) -> None:
    text = page.read_text()
    assert [link for link in _LINK.findall(text) if not (page.parent / link).exists()] == []
    assert [path for path in _PATH.findall(text) if not (ROOT / path).exists()] == []


def test_the_readme_leads_to_every_guide() -> None:
    assert {(ROOT / link).resolve() for link in _LINK.findall(README.read_text())} >= set(GUIDES)
    assert len(README.read_text().splitlines()) <= 160
