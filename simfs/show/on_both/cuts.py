"""The report on power cuts and pulls in the writes of a device with flash and card, on one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from simfs.show import WHOSE, units
from simfs.show.ending.hits import fault_lines, figures_of, hits_table, marked
from simfs.study.both_cuts.report import BothCutReport, BothSubject

COLUMNS = 100
LEGEND = (
    "Power or card goes before a write, or within it. After a power cut the device starts again; without the card it "
    "goes on, and the card comes back mended. Then what waits is brought to the card. Sound: all that was acknowledged "
    "before is there once, and a check of the card finds nothing. To mend: it finds something. Loses: some of it is "
    "nowhere; at most so much, of all files together. Mended: as many lose, once a check at the desk has put right "
    "what it can."
)
OLDER = (
    "A torn sector costs what it held before: older readings, or the entries of whole files, which the flash has no "
    "more. Drain seldom and much at once, keep few files in a directory, and show with a light when the card is "
    "written to."
)


KINDS = ("goes", "when")
FOUND = "What a check of the card finds, before mending"
NOTHING_FOUND = "A check of the card finds nothing in any state."


def as_text(report: BothCutReport) -> str:
    """The whole report, without a line end."""
    faults = [f"{FOUND}:", *(f"  {line}" for line in fault_lines(report.faults))] if report.faults else [NOTHING_FOUND]
    parts = [
        _lines(heading_lines(report.subject)),
        _lines([where_cut(report), *marked([*outcome(report)])]),
        hits_table(KINDS, rows_of(report)),
        _wrapped(LEGEND),
        "\n".join(faults),
        _lines(worst_lines(report)),
    ]
    return "\n\n".join(part for part in parts if part)


def heading_lines(subject: BothSubject) -> list[str]:
    """The title, what ran, on what, and whose figures they are."""
    source = f"{subject.kind} {units.plain(subject.source)}" if subject.source else subject.kind
    work = f"{units.counted(subject.operations, 'operation')} that change files"
    changes = units.counted(subject.changes, "program, erase or sector write", "programs, erases and sector writes")
    lines = [
        units.plain(subject.title, COLUMNS),
        f"{source}: {work}, {changes}",
        units.stands_on(subject.part, 0, 0, subject.settings).replace(" ;", ";"),
        WHOSE,
    ]
    return [line for line in lines if line]


def where_cut(report: BothCutReport) -> str:
    """Where something happened, and how many states that left."""
    subject = report.subject
    where = f"at {subject.sample:,} of them drawn with seed {subject.seed}" if subject.sample else "at all of them"
    return f"Power cut, or card taken out, {where}: {units.counted(report.states, 'state')}."


def outcome(report: BothCutReport) -> Iterator[tuple[bool, str]]:
    """What came of it, each with whether it is as it should be."""
    if report.loses_untorn:
        yield False, f"{units.counted(report.loses_untorn, 'state')} lose something although no sector is torn."
    else:
        yield True, "Where no sector is torn, nothing that was acknowledged is lost."
    if report.repeats:
        yield False, f"{units.counted(report.repeats, 'state')} have readings twice."
    else:
        yield True, "No reading is there twice."
    if report.subject.role == "mirror":
        lost = report.mirror_loses
        told = f"{units.counted(lost, 'state')} lose something." if lost else "A torn sector costs nothing either."
        yield not lost, told


def rows_of(report: BothCutReport) -> list[list[str]]:
    """The table's rows: what went, and the figures."""
    return [[row.event, "within" if row.within else "before", *figures_of(row)] for row in report.rows]


def worst_lines(report: BothCutReport) -> list[str]:
    """The state that loses the most, and what would help."""
    worst = report.worst
    if worst is None:
        return []
    deed = f"{worst.operation} {units.plain(worst.name)} by task {units.plain(worst.task)}"
    lost = f"{units.counted(worst.files, 'file')} and {units.size(worst.lost_bytes)}"
    return [f"At worst: {deed}, {worst.event}. {lost} are not found, even mended.", OLDER]


def _lines(lines: Iterable[str]) -> str:
    return "\n".join(map(_wrapped, lines))


def _wrapped(text: str) -> str:
    return textwrap.fill(text, COLUMNS, break_on_hyphens=False)
