"""The report on power cuts and pulls in the writes of a device with flash and card."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.show import WHOSE, units
from simfs.show.ending.hits import COLUMNS, Told, figures_of
from simfs.study.both_cuts.report import BothCutReport, BothSubject

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


def told(report: BothCutReport) -> Told:
    """The whole report in words."""
    return Told(
        heading=_heading(report.subject),
        where=_where(report),
        outcome=[*_outcome(report)],
        kinds=("goes", "when"),
        rows=[[row.event, "within" if row.within else "before", *figures_of(row)] for row in report.rows],
        legend=LEGEND,
        found="What a check of the card finds, before mending",
        found_nothing="A check of the card finds nothing in any state.",
        faults=report.faults,
        worst=_worst(report),
    )


def _heading(subject: BothSubject) -> list[str]:
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


def _where(report: BothCutReport) -> str:
    subject = report.subject
    where = f"at {subject.sample:,} of them drawn with seed {subject.seed}" if subject.sample else "at all of them"
    return f"Power cut, or card taken out, {where}: {units.counted(report.states, 'state')}."


def _outcome(report: BothCutReport) -> Iterator[tuple[bool, str]]:
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


def _worst(report: BothCutReport) -> list[str]:
    worst = report.worst
    if worst is None:
        return []
    deed = f"{worst.operation} {units.plain(worst.name)} by task {units.plain(worst.task)}"
    lost = f"{units.counted(worst.files, 'file')} and {units.size(worst.lost_bytes)}"
    return [f"At worst: {deed}, {worst.event}. {lost} are not found, even mended.", OLDER]
