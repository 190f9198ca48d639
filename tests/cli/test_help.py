"""What the program says of itself: its help, its version, and every key of a scenario."""

from __future__ import annotations

import os
import re
from importlib.metadata import version
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from simfs.cli import commands
from simfs.show.scenario_keys import all_keys, keys_named
from tests.guides.test_words import COMMANDS
from tests.support.command_line import program, talk


def shown(*words: str) -> str:
    result = CliRunner().invoke(commands, words)
    assert (result.exit_code, result.stderr) == (0, "")
    return result.stdout


def test_the_version_is_that_of_the_package() -> None:
    assert shown("--version") == f"simfs {version('simfs')}\n"


def test_help_begins_with_a_first_command_and_has_whole_sentences() -> None:
    text = " ".join(shown("--help").split())
    assert "simfs new logger simfs run logger.toml" in text
    assert "..." not in text.partition("Commands:")[2]
    for command in commands.commands.values():
        assert " ".join((command.help or "").partition("\n\n")[0].split()) in text


@pytest.mark.parametrize("words", COMMANDS)
def test_the_help_of_each_command_has_an_example_of_it_with_options_that_it_has(words: str) -> None:
    text = shown(*words.split(), "--help")
    (line,) = [line for line in text.splitlines() if line.startswith("  Example: ")]
    assert line.startswith(f"  Example: simfs {words}")
    known = {name for parameter in COMMANDS[words].params for name in parameter.opts}
    assert set(re.findall(r" (--[a-z-]+)", line)) <= known
    assert isinstance(COMMANDS[words], click.Command)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["rum"], "simfs: No such command 'rum'. Did you mean 'run'? See simfs --help.\n"),
        (["image", "lst"], "simfs: No such command 'lst'. Did you mean 'list'? See simfs image --help.\n"),
        (["run", "--jsn", "x"], "simfs: No such option '--jsn'. Did you mean '--json'? See simfs run --help.\n"),
        (["map", "a", "b"], "simfs: Got unexpected extra argument (b). See simfs map --help.\n"),
        (["keys", "kep"], 'simfs keys: nothing in a scenario is called "kep"; did you mean keep? `simfs keys` shows'),
    ],
)
def test_what_is_mistyped_gets_what_was_meant_and_where_help_is(words: list[str], says: str) -> None:
    done = program(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(says)


def test_keys_go_to_a_pipe_as_they_are() -> None:
    assert shown("keys") == all_keys() + "\n"
    assert shown("keys", "keep") == keys_named("keep") + "\n"


def test_a_terminal_gets_what_is_longer_than_it_from_the_pager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pager = tmp_path / "pager"
    pager.write_text("#!/bin/sh\necho paged; cat\n")
    pager.chmod(0o755)
    monkeypatch.setenv("PAGER", os.fspath(pager))
    assert talk(["keys"], [], tmp_path) == (f"paged\n{all_keys()}\n", 0)
    assert talk(["keys", "keep"], [], tmp_path) == (f"{keys_named('keep')}\n", 0)


def test_what_click_tells_on_several_lines_is_one() -> None:
    done = program("moving", "a.toml")
    assert done.stderr == "simfs: Missing option '--to'. Choose from: flash, card. See simfs moving --help.\n"
