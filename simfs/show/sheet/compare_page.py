"""The page of a comparison: what is worse, and each figure of every run."""

from __future__ import annotations

from simfs.show.compare import card_tables, figure_table, heading_lines, marks, notes_of, told_of_cuts
from simfs.show.sheet.making import rendered
from simfs.show.sheet.tables import Table
from simfs.study.compare import Comparison


def compare_page(found: Comparison) -> str:
    """The page, with the figures that the report in text has."""
    heads, rows = figure_table(found)
    figures = Table("Figures", ["figure", "mark", *heads[2:]], [[name, mark, *cells] for mark, name, *cells in rows], 2)
    cards = [
        Table(heading, ["figure", "value", "source"], [[*row] for row in rows], 3)
        for heading, rows in card_tables(found)
    ]
    summary = "A run is worse than the first." if found.is_worse else "No run is worse than the first."
    return rendered(
        "tables.html",
        [],
        title="Runs compared",
        heading=heading_lines(found)[:-1],
        outcome=[
            (not found.is_worse, summary),
            *((not note.startswith("!"), note.removeprefix("! ")) for note in notes_of(found)),
        ],
        tables=[figures, *cards],
        notes=[note for note in (marks(found), told_of_cuts(found)) if note],
        flash_map="",
    )
