"""The page of a device's life: when it ends and why, the erases of its blocks, and who wore them."""

from __future__ import annotations

from dataclasses import replace

from simfs.show.life import figure_lines, heading_lines, task_table, verdicts
from simfs.show.sheet.distributions import erase_chart
from simfs.show.sheet.making import rendered
from simfs.show.sheet.tables import Table
from simfs.study.life.report import LifeReport


def life_page(report: LifeReport) -> str:
    """The page, with the figures that the report in text has."""
    life, figures = report.life, [*figure_lines(report)]
    title, *lines, _ = heading_lines(report)
    shown = dict(figures)
    tables = [Table("Figures", ["figure", "value"], [[*figure] for figure in figures], 2)]
    if life.erases_by_task:
        headers, rows = task_table(life)
        tables.append(Table("Who wore it", [*headers], [[*row] for row in rows], 1))
    chart = erase_chart(life.erase_counts, life.limit_cycles if life.end == "rated" else None, None)
    end = f"The life ends {shown['ends']}." if life.at_ns is not None else f"The life has no end: {shown['ends']}."
    judged = [("NOT MET" not in verdict, verdict) for verdict in verdicts(report)]
    return rendered(
        "tables.html",
        [replace(chart, told=f"All blocks: {shown['all blocks']}.")],
        title=title,
        heading=lines,
        outcome=[(True, end), *judged],
        tables=tables,
        notes=[],
        flash_map="",
    )
