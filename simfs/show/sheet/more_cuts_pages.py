"""The pages of other campaigns of power cuts: many lives of a store, and cuts on a card, alone or beside flash."""

from __future__ import annotations

from simfs.show import lives, units
from simfs.show.cuts import LIMITS, heading_lines
from simfs.show.ending.hits import FIGURES, Told, fault_rows
from simfs.show.sheet.making import rendered
from simfs.show.sheet.tables import NAME_SIGNS, Table
from simfs.study.cuts.lives_report import LivesReport

LIVES_MAX = 200


def lives_page(report: LivesReport) -> str:
    """The page of lives: whether the store keeps its promises, and the lives in which it does not."""
    title, *lines = heading_lines(report.subject)
    broken = [
        [f"{one.promise}: {units.plain(one.what, NAME_SIGNS)}", one.repeat, f"{one.cuts:,}"]
        for one in report.broken[:LIVES_MAX]
    ]
    shortest = next((one.shortest for one in report.broken if one.shortest is not None), ())
    steps = [[line] for session in shortest for line in lives.session_lines(session)]
    tables = [Table("Lives that break a promise", ["what", "to repeat it", "after cuts"], broken, 2)] if broken else []
    if steps:
        tables.append(Table("The shortest that breaks one", ["what the device does"], steps[-LIVES_MAX:], 1))
    return _page(
        title, [*lines[:-1], lives.where_cut(report)], [(not report.broken, lives.kept(report))], tables, [LIMITS]
    )


def hits_page(told: Told) -> str:
    """The page of cuts in the writes of a card, alone or beside flash."""
    title, *lines = told.heading
    tables = [Table("What was cut, and what it leaves", [*told.kinds, *FIGURES], told.rows, len(told.kinds))]
    if told.faults:
        tables.append(Table(told.found, ["what", "in"], fault_rows(told.faults), 1))
    outcome = [*told.outcome, *((False, line) for line in told.worst)]
    notes = [told.legend] if told.faults else [told.found_nothing, told.legend]
    return _page(title, [*lines[:-1], told.where], outcome, tables, notes)


def _page(
    title: str, heading: list[str], outcome: list[tuple[bool, str]], tables: list[Table], notes: list[str]
) -> str:
    return rendered(
        "tables.html", [], title=title, heading=heading, outcome=outcome, tables=tables, notes=notes, flash_map=""
    )
