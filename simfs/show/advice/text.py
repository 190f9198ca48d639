"""Advice as one table, the best idea first, and below it each idea's price and its change of the scenario."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from tabulate import tabulate

from simfs.show import WHOSE, units
from simfs.show.advice.toml_change import change_lines
from simfs.study.advice.improve import Advice, Tried

COLUMNS = 100
IDEA_WIDTH = 34
NAMES_MAX = 400  # of several ideas together, each with the name of its task
GAIN_SHOWN_MAX = 1000  # a store that never fills up any more
AIMS = {
    "room": "how long the room lasts",
    "life": "the life of the flash",
    "longest-write": "the longest write",
    "energy": "energy",
}
HEADS = ("", "", "better", "", "longest", "energy", "free", "readings")
MORE_HEADS = ("", "change", "times", "life", "write", "a day", "at least", "at risk")


def as_text(advice: Advice) -> str:
    """The whole report, without a line end."""
    parts = [_heading(advice), _table(advice), *_better(advice)]
    notes = [textwrap.fill(note, COLUMNS, subsequent_indent="  ") for note in _notes(advice)]
    return "\n\n".join([*parts, "\n".join(notes)])


def _heading(advice: Advice) -> str:
    count = len(advice.better) + len(advice.rest)
    helping = sum(one.helps for one in advice.better)
    safer = len(advice.better) - helping
    more = f" {units.counted(safer, 'more loses', 'more lose')} less at a power cut." if safer else ""
    found = f"{count} changes were tried, each in a run of its own. {helping or 'None'} of them would better"
    lines = [
        units.plain(advice.title, COLUMNS),
        f"scenario {units.plain(advice.source)}: {found} {AIMS[advice.aim]}.{more}",
        f"{WHOSE} Times are typical ones.",
    ]
    return "\n".join(textwrap.fill(line, COLUMNS, break_on_hyphens=False) for line in lines)


def _table(advice: Advice) -> str:
    lines = [_line("", advice.as_it_is, advice.as_it_is)]
    lines += [_line(f"{number}", one, advice.as_it_is) for number, one in enumerate(advice.better, 1)]
    lines += [_line("", one, advice.as_it_is) for one in advice.rest if one.variant.summary]
    rule = ["-" * max(map(len, column)) for column in zip(HEADS, MORE_HEADS, *_all_lines(lines), strict=True)]
    right = ["right"] * (len(HEADS) - 2)
    rows = [HEADS, MORE_HEADS, rule, *lines]
    return tabulate(rows, tablefmt="plain", disable_numparse=True, colalign=("right", "left", *right))


def _all_lines(lines: list[list[str]]) -> list[list[str]]:
    """Each cell of the idea may have several lines; the rule is as wide as the longest of them."""
    return [[max(cell.split("\n"), key=len) for cell in line] for line in lines]


def _line(number: str, one: Tried, as_it_is: Tried) -> list[str]:
    of = one.variant.summary
    if of is None:
        return [number, one.idea.name, *[""] * (len(HEADS) - 2)]
    name = "\n".join(textwrap.wrap(units.plain(one.idea.name, COLUMNS), IDEA_WIDTH))
    return [
        number,
        name,
        _gain(one) if one.helps else "-",
        "-" if of.life_ns is None else units.years(of.life_ns),
        "-" if of.longest_write_ns is None else units.time(of.longest_write_ns),
        "-" if of.energy_a_day_nj is None else units.energy(of.energy_a_day_nj),
        units.size(of.free_bytes_min),
        "-" if one.at_risk is None else f"{one.at_risk:,}",
    ]


def _gain(one: Tried) -> str:
    return units.ratio(one.gain) if one.gain < GAIN_SHOWN_MAX else "for good"


def _better(advice: Advice) -> Iterator[str]:
    for number, one in enumerate(advice.better, 1):
        price = f"\n{textwrap.fill(_sentence(one.idea.price), COLUMNS - 4)}" if one.idea.price else ""
        lines = "\n".join(change_lines(one.idea.changes))
        yield textwrap.indent(f"{number}. {units.plain(one.idea.name, NAMES_MAX)}{price}\n{lines}", "   ").lstrip()


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _notes(advice: Advice) -> Iterator[str]:
    yield (
        "Readings at risk: the most that one power cut took, of 60 in the first runs of the tasks, and those that "
        "wait in RAM. A change that is not about saving was not cut; it has the number of the scenario as it is."
    )
    for one in advice.rest:
        name = units.plain(one.idea.name, NAMES_MAX)
        if one.variant.refused:
            yield f"Not run: {name}. {units.plain('. '.join(one.variant.refused), 400)}"
        elif one.gain == 0:
            names = ", ".join(verdict.name for verdict in one.variant.unmet) or "operations refused or records lost"
            yield f"! {name} breaks what is expected: {names}"
