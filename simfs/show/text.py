"""The report on one screen: what ran, then each figure with its unit and what it counts, at most 100 columns wide.

A figure that needs attention starts with '!' and ends with what to do about it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable
from typing import Any

from tabulate import tabulate

from simfs.show import WHOSE, units
from simfs.show.heat import heat_map
from simfs.show.rows.line import Line
from simfs.show.rows.sections import sections, sections_of_side
from simfs.show.verdict import verdict_of
from simfs.show.wearers.table import wearers_table
from simfs.study.run.expect import Verdict
from simfs.study.run.figures import Figures, Subject, TaskShare
from simfs.study.wearers.report import Wearers

COLUMNS = 100
TASKS_SHOWN = 6
NOTE_WIDTH = 50  # what remains beside section, figure and value
NAME_WIDTH = 30


def as_text(figures: Figures, verdicts: tuple[Verdict, ...], wearers: Wearers | None = None) -> str:
    """The whole report, without a line end; with who wore the flash where that is given."""
    verdict = textwrap.fill(verdict_of(figures, verdicts), COLUMNS, break_on_hyphens=False)
    title = _wrapped(units.plain(figures.subject.title, COLUMNS), COLUMNS)
    parts = [title, verdict, _heading(figures.subject), _figures(sections(figures))]
    parts += [_side(side) for side in (figures.on_flash, figures.on_card) if side is not None]
    if figures.wear:
        parts.append("\n".join(heat_map(figures.wear.erase_counts)))
    parts.append(_tasks(figures))
    if wearers is not None:
        parts.append(wearers_table(wearers))
    if verdicts:
        parts.append(_verdicts(verdicts))
    return "\n\n".join(parts)


def _heading(subject: Subject) -> str:
    nearer = subject.settings.nearer
    ran = (
        f"{units.time(subject.duration_ns)} of device time{units.from_moment(subject.start_ns)}, "
        f"{units.counted(subject.operations, 'operation')}"
    )
    lines = [
        f"{subject.kind} {units.plain(subject.source)}: {ran}",
        units.stands_on(
            subject.part, subject.block_count, subject.block_bytes, subject.settings, subject.region_start_bytes
        ),
        f"{WHOSE} To come nearer to yours, set {nearer}." if nearer else WHOSE,
    ]
    return "\n".join(_wrapped(line, COLUMNS) for line in lines)


def _side(side: Figures) -> str:
    """The figures of the flash or the card alone, under its name."""
    subject = side.subject
    stands_on = units.stands_on(
        subject.part, subject.block_count, subject.block_bytes, subject.settings, subject.region_start_bytes
    )
    return f"{_wrapped(f'On the {stands_on}', COLUMNS)}\n\n{_figures(sections_of_side(side))}"


def _figures(found: Iterable[tuple[str, list[Line]]]) -> str:
    table = [
        ("" if at else section, figure, value, _wrapped(note, NOTE_WIDTH))
        for section, lines in found
        for at, (figure, value, note) in enumerate(lines)
    ]
    return tabulate(
        table, tablefmt="plain", disable_numparse=True, preserve_whitespace=True,
        colalign=("left", "left", "right", "left"),
    )  # fmt: skip


def _wrapped(text: str, width: int) -> str:
    return textwrap.fill(text, width, break_on_hyphens=False)


def _tasks(figures: Figures) -> str:
    shares = sorted(figures.tasks, key=lambda share: -share.busy_ns)
    busy_ns = max(1, sum(share.busy_ns for share in shares))
    medium = "" if figures.both else f"{figures.subject.settings.medium} "  # both names are too long for a column
    columns: list[tuple[str, Callable[[TaskShare], str], bool]] = [  # whether it applies
        ("task", lambda share: units.plain(share.name, NAME_WIDTH), True),
        ("operations", lambda share: f"{share.operations:,}", True),
        ("refused", lambda share: f"{share.refused:,}", True),
        ("wrote", lambda share: units.size(share.host_bytes), True),
        (f"{medium}read", lambda share: units.size(share.read_bytes), True),
        ("programs", lambda share: f"{share.programs:,}", True),
        ("erases", lambda share: f"{share.erases:,}", figures.wear is not None),
        (f"{medium}time", lambda share: units.percent(100 * share.busy_ns / busy_ns), figures.stalls is not None),
    ]
    headers = [header for header, _, applies in columns if applies]
    table = [[cell(share) for _, cell, applies in columns if applies] for share in shares[:TASKS_SHOWN]]
    text = tabulate(
        table, headers, tablefmt="simple", disable_numparse=True, colalign=("left", *["right"] * (len(headers) - 1))
    )
    rest = len(shares) - TASKS_SHOWN
    return f"{text}\n{units.counted(rest, 'more task')} with --json" if rest > 0 else text


def _verdicts(verdicts: tuple[Verdict, ...]) -> str:
    table = []
    for verdict in verdicts:
        measured, wanted = judged(verdict)
        met = "met" if verdict.met else "! NOT MET"
        table.append((met, verdict.name, _wrapped(measured, NOTE_WIDTH), wanted))
    return tabulate(table, ("expected", "", "measured", "wanted"), tablefmt="simple", disable_numparse=True)


def judged(verdict: Verdict) -> tuple[str, str]:
    """What was measured, and what was wanted."""
    measured, wanted = _judged(verdict)
    return measured, f"{wanted}, by default" if verdict.by_default else wanted


def _judged(verdict: Verdict) -> tuple[str, str]:
    if not verdict.unit:
        first = units.plain(verdict.faults[0], 100) if verdict.faults else "as expected"
        more = f"; {len(verdict.faults) - 1:,} more with --json" if len(verdict.faults) > 1 else ""
        wanted = verdict.limit
        return first + more, ("yes" if wanted else "no") if isinstance(wanted, bool) else "as the scenario says"
    measured = "cannot say" if verdict.measured is None else _quantity(verdict.measured, verdict.unit)
    return measured, f"at {'least' if verdict.at_least else 'most'} {_quantity(verdict.limit, verdict.unit)}"


def _quantity(value: Any, unit: str) -> str:
    if unit in ("ns", "bytes"):
        return units.time(value) if unit == "ns" else units.size(value)
    return {"percent": units.percent, "ratio": units.ratio}.get(unit, units.number)(value) + (" mJ" * (unit == "mJ"))
