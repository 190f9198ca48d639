"""A comparison as one table: a line for each figure, a column for each side, and a mark where they differ."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from typing import Any

from tabulate import tabulate

from simfs.fat.card.sheet import FROM_SCENARIO, NO_SOURCE
from simfs.show import WHOSE, units
from simfs.study.compare import Comparison, Row, Side

COLUMNS = 100
SOURCE_COLUMNS = 60

SHOWN: dict[str, tuple[str, Callable[[Any], str]]] = {
    "room_bytes": ("room for files and names", units.size),
    "most_in_use_bytes": ("most in use in the run", units.size),
    "full_after_ns": ("full after", units.time),
    "life_ns": ("life, first block", units.years),
    "card_life_least_ns": ("card's life, at least", units.years),
    "card_life_most_ns": ("card's life, at most", units.years),
    "card_sectors_a_day": ("sectors written a day", units.number),
    "write_amplification": ("write amplification", units.ratio),
    "erases_a_day": ("block erases a day", units.number),
    "longest_write_ns": ("longest write", units.time),
    "longest_write_at_max_ns": ("bound, worst part", units.time),
    "boot_ns": ("slowest boot", units.time),
    "energy_a_day_nj": ("energy a day", units.energy),
    "battery_life_ns": ("battery lasts", units.years),
    "battery_medium_percent": ("share of flash or card in it", units.percent),
    "ram_bytes": ("RAM for the store", units.size),
    "refused_operations": ("operations refused", units.number),
    "lost_records": ("gathered records lost", units.number),
    "lost_readings": ("readings lost", units.number),
    "names_that_break": ("names that break", units.number),
    "cuts_that_lose_percent": ("cuts that lose data", units.percent),
    "lost_at_a_cut_bytes": ("most that a cut loses", units.size),
    "cuts_to_mend_percent": ("cuts to mend after", units.percent),
}

CARD_FIGURES: dict[str, tuple[str, Callable[[int], str]]] = {
    "clock_hz": ("clock of the data line", lambda hz: f"{units.number(hz / 1e6)} MHz"),
    "read_typ_ns": ("reading a sector", units.time),
    "write_typ_ns": ("writing a sector", units.time),
    "write_max_ns": ("writing a sector, at most", units.time),
    "read_ua": ("current of a read", lambda ua: f"{units.number(ua / 1000)} mA"),
    "write_ua": ("current of a write", lambda ua: f"{units.number(ua / 1000)} mA"),
    "standby_ua": ("current at rest", lambda ua: f"{units.number(ua / 1000)} mA"),
    "supply_mv": ("supply", lambda mv: f"{units.number(mv / 1000)} V"),
    "fills": ("fills of the whole card", units.number),
    "inner_least": ("programmed inside, at least", lambda times: f"x {times:,}"),
    "inner_most": ("programmed inside, at most", lambda times: f"x {times:,}"),
}
"""What stands for each figure of a card."""


def as_text(found: Comparison) -> str:
    """The whole report, without a line end."""
    heading = [textwrap.fill(line, COLUMNS, break_on_hyphens=False) for line in heading_lines(found)]
    notes = [textwrap.fill(note, COLUMNS, subsequent_indent="  ") for note in notes_of(found)]
    told = textwrap.fill(told_of_cuts(found), COLUMNS, break_on_hyphens=False)
    cards = [_card(heading, rows) for heading, rows in card_tables(found)]
    parts = ["\n".join(heading), _table(found), "\n".join([marks(found), *notes]), told, *cards]
    return "\n\n".join(part for part in parts if part)


def heading_lines(found: Comparison) -> list[str]:
    """Which letter stands for which run."""
    sides = [f"{_letter(at)} is {units.plain(side.name, COLUMNS)}" for at, side in enumerate(found.sides)]
    return [f"{'; '.join(sides)}.", WHOSE]


def marks(found: Comparison) -> str:
    """What the marks in the table say."""
    than = f" by more than {units.number(found.tolerance_percent)} %" if found.tolerance_percent else ""
    return f"* differs from A; ! is worse than A{than}."


def _letter(at: int) -> str:
    return chr(ord("A") + at)


def _table(found: Comparison) -> str:
    heads, lines = figure_table(found)
    right = ["right"] * len(found.sides)
    return tabulate(lines, heads, tablefmt="simple", disable_numparse=True, colalign=("left", "left", *right))


def figure_table(found: Comparison) -> tuple[list[str], list[list[str]]]:
    """Headers and rows: a mark, the figure, and its value of each run."""
    heads = ["", "", *(_letter(at) for at in range(len(found.sides)))]
    lines = []
    for row in found.rows:
        name, shown = SHOWN[row.name]
        cells = [_cell(row, side, value, shown) for side, value in zip(found.sides, row.values, strict=True)]
        lines.append(["!" if row.worse else "*" if row.differs else "", name, *cells])
    return heads, lines


def _cell(row: Row, side: Side, value: Any, shown: Callable[[Any], str]) -> str:
    if value is None:
        return "never seen" if row.name == "full_after_ns" else "-"
    if row.name != "full_after_ns":
        return shown(value)
    date = f", {units.moment(side.start_ns + value).partition(' ')[0]}" if side.start_ns else ""
    return f"about {shown(value)}" if side.full_is_projected else f"{shown(value)}{date}"


def notes_of(found: Comparison) -> Iterator[str]:
    """In what each run is worse than the first, and what it does not meet."""
    for at, side in enumerate(found.sides):
        names = [SHOWN[row.name][0] for row in found.rows if at in row.worse]
        if names:
            yield f"! {_letter(at)} is worse in: {', '.join(names)}"
        if found.newly_unmet[at]:
            yield f"! {_letter(at)} does not meet {', '.join(found.newly_unmet[at])}, which A meets"
        if side.unmet and not at:
            yield f"A does not meet {', '.join(side.unmet)}"


def told_of_cuts(found: Comparison) -> str:
    """What the figures of power cuts count."""
    states = [f"{_letter(at)} {side.cut_states:,}" for at, side in enumerate(found.sides) if side.cut_states]
    if not states:
        return ""
    return (
        f"Power cuts, in states tried: {', '.join(states)}. Lose data: something is gone that was acknowledged before. "
        "To mend: a check finds something that the device does not put right itself. On a card each sector write is "
        "cut before it and within it, and then that sector can't be read; no maker publishes how often that happens."
    )


def card_tables(found: Comparison) -> Iterator[tuple[str, list[tuple[str, str, str]]]]:
    """What is taken for each card, and where that is from; of a later one what differs from the first."""
    cards = list(dict.fromkeys(side.card for side in found.sides if side.card))
    for card in cards:
        whose = " and ".join(_letter(at) for at, side in enumerate(found.sides) if side.card == card)
        own = [figure for figure in card if card == cards[0] or figure not in cards[0]]
        rows = [(CARD_FIGURES[name][0], CARD_FIGURES[name][1](value), _from(source)) for name, value, source in own]
        first = f"What is taken for the card of {whose}; no maker publishes what goes on inside one:"
        heading = first if card == cards[0] else f"The card of {whose} is the same, but for:"
        yield heading, rows


def _card(heading: str, rows: list[tuple[str, str, str]]) -> str:
    lines = [(*figure, textwrap.fill(source, SOURCE_COLUMNS)) for *figure, source in rows]
    table = tabulate(lines, tablefmt="plain", disable_numparse=True, colalign=("left", "right", "left"))
    return f"{heading}\n{textwrap.indent(table, '  ')}"


def _from(source: str) -> str:
    if source == FROM_SCENARIO:
        return "from the scenario"
    return source if source == NO_SOURCE else f"public figure, source: {source}"
