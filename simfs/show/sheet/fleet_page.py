"""The page of a fleet: when shares of the devices lose a block and a store, and what the figures rest on."""

from __future__ import annotations

from simfs.replay.device.clock import NS_PER_YEAR
from simfs.show.fleet import heading_lines, in_years, kept_lines, notes_of, share_table, verdict
from simfs.show.sheet.charts import Chart, axis, bars, layout
from simfs.show.sheet.making import rendered
from simfs.show.sheet.palette import BLUE, ORANGE
from simfs.show.sheet.tables import Table
from simfs.study.fleet.report import FleetReport


def fleet_page(report: FleetReport) -> str:
    """The page, with the figures that the report in text has."""
    title, *lines, _ = heading_lines(report)
    first = f"1 % of the devices have lost their first block after {in_years(report.first_lost_ns)}."
    judged = [] if report.life_min_ns is None else [(bool(report.met), verdict(report, report.life_min_ns))]
    notes = [*notes_of(report)]
    return rendered(
        "tables.html",
        [_first_blocks(report)],
        title=title,
        heading=lines,
        outcome=[(True, first), *((False, note[2:]) for note in notes if note.startswith("! ")), *judged],
        tables=[Table("When they are lost", *share_table(report), 1)],
        notes=[*(note for note in notes if not note.startswith("! ")), *(kept_lines(report) if report.kept else ())],
        flash_map="",
    )


def _first_blocks(report: FleetReport) -> Chart:
    """When shares of the devices have lost their first block: by the formula, and simulated."""
    first = report.first_block
    shares = [f"{100 * one.share:g} %" for one in first]
    seen = [(share, one.simulated.at_ns) for share, one in zip(shares, first, strict=True)]
    drawn = [(share, at_ns / NS_PER_YEAR) for share, at_ns in seen if at_ns is not None]
    formula = [one.formula_ns / NS_PER_YEAR for one in first]
    told = ", ".join(f"{share} after {in_years(one.formula_ns)}" for share, one in zip(shares, first, strict=True))
    return Chart(
        key="first-block",
        title="First block lost",
        told=f"By the formula {told}.",
        data=[
            bars(shares, formula, "formula", BLUE),
            bars([share for share, _ in drawn], [years for _, years in drawn], "simulated", ORANGE, "/"),
        ],
        layout=layout(
            axis("share of the devices", type="category"), axis("years", rangemode="tozero"), barmode="group"
        ),
        headers=("share of the devices", "formula", "simulated"),
        rows=[
            (share, in_years(one.formula_ns), "-" if at_ns is None else in_years(at_ns))
            for one, (share, at_ns) in zip(first, seen, strict=True)
        ],
        points=[f"{share}: {in_years(one.formula_ns)}" for share, one in zip(shares, first, strict=True)],
    )
