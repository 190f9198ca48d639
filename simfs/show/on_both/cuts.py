"""The report on power cuts and pulls in the writes of a device with flash and card, on one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from tabulate import tabulate

from simfs.show import WHOSE, units
from simfs.show.ending.fault_words import FAULT_WORDS
from simfs.study.both_cuts.report import BothCutReport, BothSubject, EventRow

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


def as_text(report: BothCutReport) -> str:
    """The whole report, without a line end."""
    parts = [_heading(report.subject), _where(report), _rows(report), _wrapped(LEGEND), _faults(report), _told(report)]
    return "\n\n".join(part for part in parts if part)


def _heading(subject: BothSubject) -> str:
    source = f"{subject.kind} {units.plain(subject.source)}" if subject.source else subject.kind
    work = f"{units.counted(subject.operations, 'operation')} that change files"
    changes = units.counted(subject.changes, "program, erase or sector write", "programs, erases and sector writes")
    lines = [
        units.plain(subject.title, COLUMNS),
        f"{source}: {work}, {changes}",
        units.stands_on(subject.part, 0, 0, subject.settings).replace(" ;", ";"),
        WHOSE,
    ]
    return "\n".join(_wrapped(line) for line in lines if line)


def _where(report: BothCutReport) -> str:
    subject = report.subject
    where = f"at {subject.sample:,} of them drawn with seed {subject.seed}" if subject.sample else "at all of them"
    lines = [f"Power cut, or card taken out, {where}: {units.counted(report.states, 'state')}.", *_promises(report)]
    return "\n".join(map(_wrapped, lines))


def _promises(report: BothCutReport) -> Iterator[str]:
    if report.loses_untorn:
        yield f"! {units.counted(report.loses_untorn, 'state')} lose something although no sector is torn."
    else:
        yield "Where no sector is torn, nothing that was acknowledged is lost."
    if report.repeats:
        yield f"! {units.counted(report.repeats, 'state')} have readings twice."
    else:
        yield "No reading is there twice."
    if report.subject.role == "mirror":
        lost = report.mirror_loses
        yield f"! {units.counted(lost, 'state')} lose something." if lost else "A torn sector costs nothing either."


def _rows(report: BothCutReport) -> str:
    headers = ("goes", "when", "states", "sound", "to mend", "loses", "at most", "mended", "at most")
    align = ("left", "left", *["right"] * (len(headers) - 2))
    table = [_row(row) for row in report.rows]
    return tabulate(table, headers, tablefmt="simple", disable_numparse=True, colalign=align)


def _row(row: EventRow) -> tuple[str, ...]:
    def number(count: int) -> str:
        return f"{count:,}" if count else "-"

    def size(count: int) -> str:
        return units.size(count) if count else "-"

    return (
        row.event, "within" if row.within else "before", number(row.states), number(row.sound),
        number(row.to_mend), number(row.losing), size(row.lost_bytes_max), number(row.losing_when_mended),
        size(row.lost_bytes_max_when_mended),
    )  # fmt: skip


def _faults(report: BothCutReport) -> str:
    if not report.faults:
        return "A check of the card finds nothing in any state."
    lines = [f"  {FAULT_WORDS[kind]}: {units.counted(count, 'state')}" for kind, count in report.faults.items()]
    return "\n".join(["What a check of the card finds, before mending:", *lines])


def _told(report: BothCutReport) -> str:
    worst = report.worst
    if worst is None:
        return ""
    deed = f"{worst.operation} {units.plain(worst.name)} by task {units.plain(worst.task)}"
    lost = f"{units.counted(worst.files, 'file')} and {units.size(worst.lost_bytes)}"
    return "\n".join(map(_wrapped, [f"At worst: {deed}, {worst.event}. {lost} are not found, even mended.", OLDER]))


def _wrapped(text: str) -> str:
    return textwrap.fill(text, COLUMNS, break_on_hyphens=False)
