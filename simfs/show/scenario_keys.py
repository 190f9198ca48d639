"""What a scenario may say, as text for a terminal: all of it, or what goes by one name."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from typing import get_args

from simfs.replay.scenario.expectations import Expect
from simfs.replay.scenario.fields import Table
from simfs.replay.scenario.near_words import did_you_mean
from simfs.replay.scenario.patterns import PLACEHOLDERS
from simfs.show.scenario_guide import FORMS, OPERATIONS, SECTIONS, keys, summary

WIDTH = 98
_INDENT = "    "


def all_keys() -> str:
    """Every table with its keys, the operations and the placeholders, after how values are written."""
    entries = [_of_table(title, model) for title, model in _tables()]
    return "\n\n".join([_forms(), *entries, _placeholders(PLACEHOLDERS)])


def keys_named(word: str) -> str:
    """What goes by a name: a table, an operation, a placeholder, or a key in each table that has it; `store.size` is
    that of one table. `ValueError` if nothing does."""
    name = word.strip("[]{}")
    found = [_of_table(title, model) for title, model in _tables() if name in (title.strip("[]"), _bare(title))]
    table, _, key = name.rpartition(".")
    sharing = dict[str, list[str]]()  # the tables in which a key is the same
    for title, model in _tables():
        for one in _lines(model):
            if one[0] == key and table in ("", _bare(title)):
                sharing.setdefault(_entry(*one), []).append(title)
    found += [f"{', '.join(titles)}\n{entry}" for entry, titles in sharing.items()]
    if name in PLACEHOLDERS:
        found.append(_placeholders([name]))
    if not found:
        near = did_you_mean(name, _names())
        raise ValueError(f'nothing in a scenario is called "{word}"; {near}`simfs keys` shows all that there is')
    return "\n\n".join(found)


def _tables() -> Iterator[tuple[str, type[Table]]]:
    """Each with its title: those of the file, then the operations."""
    yield from SECTIONS
    for model in OPERATIONS:
        (do,) = get_args(model.model_fields["do"].annotation)
        yield f'do = "{do}"', model
    yield "[expect]", Expect


def _bare(title: str) -> str:
    """The word by which somebody asks for a table: `chip`, `values`, `burst`, `append`."""
    if title.startswith("do = "):
        return title[6:-1]
    return title.strip("[]").partition(".")[0].partition(" of a ")[0]


def _names() -> list[str]:
    """All that can be asked for."""
    names = [name for title, model in _tables() for name in (_bare(title), *(one[0] for one in _lines(model)))]
    full = [f"{_bare(title)}.{one[0]}" for title, model in _tables() for one in _lines(model)]
    return list(dict.fromkeys([*names, *PLACEHOLDERS, *full]))


def _lines(model: type[Table]) -> list[tuple[str, str, str]]:
    """Name, what it takes and what holds if it is left out, and the meaning of each key."""
    found = []
    for key in keys(model):
        left_out = {"-": "", "required": "; required"}.get(key.left_out, f"; {key.left_out} if left out")
        found.append((key.name.strip("`"), f"{key.takes}{left_out}".replace("`", ""), key.meaning.replace("`", "")))
    return found


def _of_table(title: str, model: type[Table]) -> str:
    head = [title, *_wrapped(summary(model).replace("`", ""), "  ")]
    return "\n".join([*head, *(_entry(*one) for one in _lines(model))])


def _entry(name: str, takes: str, meaning: str) -> str:
    return "\n".join([*_wrapped(f"{name}: {takes}", "  "), *_wrapped(meaning, "  " + _INDENT)])


def _placeholders(names: Iterable[str]) -> str:
    meanings = [(name, PLACEHOLDERS[name].replace("`", "")) for name in names]
    entries = [line for name, told in meanings for line in (f"  {{{name}}}", *_wrapped(told, "  " + _INDENT))]
    return "\n".join(["Placeholders in names and texts", *entries])


def _forms() -> str:
    entries = [line for form, how in FORMS for line in (f"  {form}", *_wrapped(how.replace("`", ""), "  " + _INDENT))]
    return "\n".join(["How values are written", *entries])


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False
    )
