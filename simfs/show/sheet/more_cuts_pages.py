"""The pages of other campaigns of power cuts: many lives of a store, a card, and flash and card."""

from __future__ import annotations

from simfs.show import card_cuts, lives, units
from simfs.show.cuts import LIMITS, heading_lines
from simfs.show.ending.hits import FIGURES, fault_lines
from simfs.show.on_both import cuts as on_both
from simfs.show.sheet.making import rendered
from simfs.show.sheet.tables import NAME_SIGNS, Table
from simfs.study.both_cuts.report import BothCutReport
from simfs.study.card_cuts.report import CardCutReport
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


def card_cuts_page(report: CardCutReport) -> str:
    """The page of cuts in the writes of a card."""
    title, *lines = card_cuts.heading_lines(report.subject)
    heading = [*lines[:-1], card_cuts.where_cut(report)]
    tables = [
        Table("What was cut, and what it leaves", [*card_cuts.KINDS, *FIGURES], card_cuts.rows_of(report), 2),
        *_found(card_cuts.FOUND, report.faults),
    ]
    outcome = [*card_cuts.outcome(report), *((False, line) for line in card_cuts.worst_lines(report))]
    told = [] if report.faults else [card_cuts.NOTHING_FOUND]
    return _page(title, heading, outcome, tables, [*told, card_cuts.LEGEND])


def both_cuts_page(report: BothCutReport) -> str:
    """The page of cuts, and of cards taken out, in the writes of a device with flash and card."""
    title, *lines = on_both.heading_lines(report.subject)
    tables = [
        Table("What went, and what it leaves", [*on_both.KINDS, *FIGURES], on_both.rows_of(report), 2),
        *_found(on_both.FOUND, report.faults),
    ]
    outcome = [*on_both.outcome(report), *((False, line) for line in on_both.worst_lines(report))]
    told = [] if report.faults else [on_both.NOTHING_FOUND]
    heading = [*lines[:-1], on_both.where_cut(report)]
    return _page(title, heading, outcome, tables, [*told, on_both.LEGEND])


def _found(title: str, faults: dict[str, int]) -> list[Table]:
    rows = [line.rsplit(": ", 1) for line in fault_lines(faults)]
    return [Table(title, ["what", "in"], rows, 1)] if rows else []


def _page(
    title: str, heading: list[str], outcome: list[tuple[bool, str]], tables: list[Table], notes: list[str]
) -> str:
    return rendered(
        "tables.html", [], title=title, heading=heading, outcome=outcome, tables=tables, notes=notes, flash_map=""
    )
