"""Pages of tables with a few charts: a sweep, and a flash map."""

from __future__ import annotations

from typing import NamedTuple

from simfs.replay.device.clock import NS_PER_YEAR
from simfs.show import units
from simfs.show.map.pieces import address, pieces, proposal
from simfs.show.map.svg import as_svg
from simfs.show.sheet.charts import Chart, axis, bars, layout, markup_free
from simfs.show.sheet.making import rendered
from simfs.show.sheet.palette import BLUE
from simfs.show.sweep import TABLE, cells_of, heading_lines, is_shown, notes_of, settings_headings, values_of
from simfs.study.flash_map import FlashMap
from simfs.study.sweep import Sweep

NAME_SIGNS = 120
CHARTED = (  # of a variant: figure, title, unit, how much of it makes one unit
    ("life_ns", "Life", "years", NS_PER_YEAR),
    ("longest_write_ns", "Longest write", "ms", 1_000_000),
    ("write_amplification", "Write amplification", "programmed for each byte", 1),
    ("free_bytes_min", "Free at least", "KiB", 1024),
)


class Table(NamedTuple):
    """A table with its title; columns from `numbers_from` on are numbers."""

    title: str
    headers: list[str]
    rows: list[list[str]]
    numbers_from: int


def sweep_page(sweep: Sweep) -> str:
    """The page of a sweep: its table, and the figures that matter most as bars."""
    title, *lines = heading_lines(sweep)
    columns = [column for column in TABLE if is_shown(column, sweep)]
    headers = [*settings_headings(sweep.settings), *(" ".join(column.heading).strip() for column in columns)]
    rows = [[*values_of(variant), *cells_of(variant.summary, columns)] for variant in sweep.variants]
    return rendered(
        "tables.html",
        [chart for charted in CHARTED if (chart := _bars_of(sweep, *charted))],
        title=title,
        heading=lines,
        tables=[Table("Variants", headers, rows, len(sweep.settings))],
        outcome=[],
        notes=[note for variant in sweep.variants for note in notes_of(variant)],
        flash_map="",
    )


def _bars_of(sweep: Sweep, figure: str, title: str, unit: str, one: int) -> Chart | None:
    """One figure of each variant; None where no variant has it."""
    named = [(", ".join(values_of(variant)), getattr(variant.summary, figure, None)) for variant in sweep.variants]
    found = [(name, value / one) for name, value in named if value is not None]
    if not found:
        return None
    numbers = list(range(len(found)))
    least, most = min(found, key=lambda each: each[1]), max(found, key=lambda each: each[1])
    shown = [f"{name}: {units.number(value)} {unit}" for name, value in found]
    return Chart(
        key=figure.replace("_", "-"),
        title=title,
        told=f"From {units.number(least[1])} ({least[0]}) to {units.number(most[1])} {unit} ({most[0]}).",
        data=[
            bars(numbers, [value for _, value in found], title, BLUE)
            | {
                "hovertext": [markup_free(text) for text in shown],
                "hovertemplate": "%{hovertext}<extra></extra>",
            }
        ],
        layout=layout(
            axis("", tickvals=numbers, ticktext=[markup_free(name) for name, _ in found]),
            axis(unit, rangemode="tozero"),
            showlegend=False,
        ),
        headers=("variant", unit),
        rows=[(name, units.number(value)) for name, value in found],
        points=shown,
    )


def map_page(drawn: FlashMap) -> str:
    """The page of a flash map: the picture, and the same as a table."""
    rows = [
        [units.plain(piece.name, NAME_SIGNS), piece.holds, address(piece.start_bytes, drawn.chip_bytes),
         address(piece.end_bytes, drawn.chip_bytes), units.size(piece.size_bytes), "; ".join(piece.notes)]
        for piece in pieces(drawn)
    ]  # fmt: skip
    return rendered(
        "tables.html",
        [],
        title=units.plain(drawn.title, NAME_SIGNS),
        heading=[f"{drawn.part}: {units.size(drawn.chip_bytes)}; {units.plain(drawn.source, NAME_SIGNS)}"],
        tables=[Table("Regions", ["region", "holds", "from", "to", "size", "left, and how long it lasts"], rows, 6)],
        outcome=[],
        notes=[" ".join(proposal(drawn))],
        flash_map=as_svg(drawn),
    )
