"""A comparison as one table: a line for each figure, a column for each side, and a mark where they differ."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from typing import Any

from tabulate import tabulate

from simfs.show import WHOSE, units
from simfs.study.compare import Comparison, Row, Side

COLUMNS = 100

SHOWN: dict[str, tuple[str, Callable[[Any], str]]] = {
    "room_bytes": ("room for files and names", units.size),
    "most_in_use_bytes": ("most in use in the run", units.size),
    "full_after_ns": ("full after", units.time),
    "life_ns": ("life, first block", units.years),
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
    "names_that_break": ("names that break", units.number),
}


def as_text(found: Comparison) -> str:
    """The whole report, without a line end."""
    sides = [f"{_letter(at)} is {units.plain(side.name, COLUMNS)}" for at, side in enumerate(found.sides)]
    heading = [f"{'; '.join(sides)}.", WHOSE]
    heading = [textwrap.fill(line, COLUMNS, break_on_hyphens=False) for line in heading]
    marks = "* differs from A; ! is worse than A"
    marks += f" by more than {units.number(found.tolerance_percent)} %." if found.tolerance_percent else "."
    notes = [textwrap.fill(note, COLUMNS, subsequent_indent="  ") for note in _notes(found)]
    return "\n\n".join(["\n".join(heading), _table(found), "\n".join([marks, *notes])])


def _letter(at: int) -> str:
    return chr(ord("A") + at)


def _table(found: Comparison) -> str:
    heads = ["", "", *(_letter(at) for at in range(len(found.sides)))]
    lines = []
    for row in found.rows:
        name, shown = SHOWN[row.name]
        cells = [_cell(row, side, value, shown) for side, value in zip(found.sides, row.values, strict=True)]
        lines.append(["!" if row.worse else "*" if row.differs else "", name, *cells])
    right = ["right"] * len(found.sides)
    return tabulate(lines, heads, tablefmt="simple", disable_numparse=True, colalign=("left", "left", *right))


def _cell(row: Row, side: Side, value: Any, shown: Callable[[Any], str]) -> str:
    if value is None:
        return "never seen" if row.name == "full_after_ns" else "-"
    if row.name != "full_after_ns":
        return shown(value)
    date = f", {units.moment(side.start_ns + value).partition(' ')[0]}" if side.start_ns else ""
    return f"about {shown(value)}" if side.full_is_projected else f"{shown(value)}{date}"


def _notes(found: Comparison) -> Iterator[str]:
    for at, side in enumerate(found.sides):
        names = [SHOWN[row.name][0] for row in found.rows if at in row.worse]
        if names:
            yield f"! {_letter(at)} is worse in: {', '.join(names)}"
        if found.newly_unmet[at]:
            yield f"! {_letter(at)} does not meet {', '.join(found.newly_unmet[at])}, which A meets"
        if side.unmet and not at:
            yield f"A does not meet {', '.join(side.unmet)}"
