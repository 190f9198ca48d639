"""The report on many lives of one run: does the store keep its promises through hundreds of power cuts?"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from simfs.files.heard import FileCall
from simfs.show import units
from simfs.show.cuts import BROKEN_SHOWN, CALLS_SHOWN, COLUMNS, LIMITS, call_in_words, heading
from simfs.study.cuts.lives.session import Session
from simfs.study.cuts.lives_report import LivesReport, ShownLife

WHAT_WIDTH = 200


def as_text(report: LivesReport) -> str:
    """The whole report, without a line end."""
    return f"{heading(report.subject)}\n\n{_promises(report)}"


def where_cut(report: LivesReport) -> str:
    """How many lives there were, and how many cuts."""
    first = report.subject.places.seed or 0
    seeds = f"seed {first}" if report.lives == 1 else f"seeds {first} to {first + report.lives - 1}"
    lives = "One life" if report.lives == 1 else f"{report.lives:,} lives"
    return (
        f"{lives} of up to {report.cuts_per_life} power cuts each, {seeds}, fault profile {report.subject.profile}: "
        f"{units.counted(report.cuts, 'cut')}, {report.in_recoveries:,} of them in a recovery."
    )


def kept(report: LivesReport) -> str:
    """Whether the store kept its promises."""
    if report.broken:
        breaks = units.counted(len(report.broken), "life breaks", "lives break")
        return f"{breaks} a promise of the store. That is a fault of simfs, not of your firmware."
    return (
        "After each cut the store mounts, holds all that was acknowledged, finds the same again at the next mount "
        "and goes on working."
    )


def _promises(report: LivesReport) -> str:
    lines = [where_cut(report)]
    if report.broken:
        lines.append(f"! {kept(report)[:-1]}:")
        lines += [line for one in report.broken[:BROKEN_SHOWN] for line in _broken(one)]
        more = len(report.broken) - BROKEN_SHOWN
        lines += [f"  {more:,} more with --json"] if more > 0 else []
    else:
        lines.append(kept(report))
    lines.append(LIMITS)
    return "\n".join(line if line.startswith("  ") else textwrap.fill(line, COLUMNS) for line in lines)


def _broken(life: ShownLife) -> Iterator[str]:
    """A life's lines. The command to paste stays on one line, however long it is."""
    yield f"  ! {life.promise}, after {units.counted(life.cuts, 'cut')}: {units.plain(life.what, WHAT_WIDTH)}"
    yield f"    {life.repeat}"
    if life.shortest is not None:
        calls = sum(len(session.calls) for session in life.shortest)
        power_ons = units.counted(len(life.shortest), "power-on")
        yield f"    shortest: {power_ons} and {units.counted(calls, 'file call')}"
        lines = [f"      {line}" for session in life.shortest for line in session_lines(session)]
        yield from lines[-CALLS_SHOWN:] if len(lines) <= CALLS_SHOWN else _end_of(lines)


def _end_of(lines: list[str]) -> Iterator[str]:
    yield f"      {len(lines) - CALLS_SHOWN:,} lines before these, with --json"
    yield from lines[-CALLS_SHOWN:]


def session_lines(session: Session[FileCall]) -> Iterator[str]:
    """From a power-on to the next."""
    yield f"power on, cut after {units.counted(session.cut_after, 'change')} of the flash"
    yield from (f"  {call_in_words(call)}" for call in session.calls)
