"""Every key of a scenario, explained on a terminal: all of them, or what goes by one name."""

from __future__ import annotations

import pytest

from simfs.replay.scenario.expectations import Expect
from simfs.replay.scenario.patterns import PLACEHOLDERS
from simfs.show.scenario_guide import OPERATIONS, SECTIONS
from simfs.show.scenario_keys import WIDTH, all_keys, keys_named


def test_all_keys_are_there_in_lines_that_fit_a_terminal() -> None:
    text = all_keys()
    for model in (*dict(SECTIONS).values(), *OPERATIONS, Expect):
        assert [name for name in model.model_fields if name != "do" and f"\n  {name}: " not in text] == []
    assert [name for name in PLACEHOLDERS if f"\n  {{{name}}}\n" not in text] == []
    assert max(map(len, text.splitlines())) <= WIDTH
    assert "`" not in text


@pytest.mark.parametrize("title", [title for title, _ in SECTIONS[1:]])
def test_a_table_has_all_its_keys(title: str) -> None:
    text, model = keys_named(title), dict(SECTIONS)[title]
    assert text.startswith(f"{title}\n  ")
    assert [name for name in model.model_fields if f"\n  {name}: " not in text] == []


@pytest.mark.parametrize(
    ("word", "lines"),
    [
        ("store.size", ["[store]", "  size: size above 0"]),
        ("keep", ['do = "append", do = "write", do = "create"', "  keep: whole number from 1"]),
        ("append.gather", ['do = "append"', "  gather: whole number from 1; 1 if left out"]),
        ("{boot}", ["Placeholders in names and texts", "  {boot}"]),
        ("duration", ["[run]", "  duration: duration above 0; required"]),
    ],
)
def test_what_goes_by_a_name_is_shown(word: str, lines: list[str]) -> None:
    shown = keys_named(word)
    assert "\n".join(lines) in shown


def test_a_name_of_several_things_shows_them_all() -> None:
    shown = keys_named("boot")
    assert 'do = "boot"\n' in shown
    assert "  {boot}\n" in shown
    assert keys_named("size").count("\n  size: ") == 7  # chip, card, store, region, what writes, read, truncate


@pytest.mark.parametrize(("word", "near"), [("kep", "keep"), ("store.siz", "store.size"), ("[chp]", "chip")])
def test_a_name_that_is_mistyped_gets_the_one_that_was_meant(word: str, near: str) -> None:
    with pytest.raises(ValueError, match=rf"is called .*; did you mean {near}\?"):
        keys_named(word)
