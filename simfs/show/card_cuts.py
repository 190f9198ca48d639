"""The report on power cuts in the writes of a card: what is sound, what has to be mended, what is lost."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.show import WHOSE, units
from simfs.show.ending.hits import COLUMNS, Told, figures_of
from simfs.study.card_cuts.report import CardCutReport, CardSubject, Worst

LEGEND = (
    "Sound: a check finds nothing. To mend: it does, and all that was acknowledged is there. Loses: the firmware does "
    "not find all that was acknowledged before the operation that was cut; at most so much, of all files together. "
    "Mended: as many lose, once a check at the desk has put right what it can."
)


def told(report: CardCutReport) -> Told:
    """The whole report in words."""
    return Told(
        heading=_heading(report.subject),
        where=_where(report),
        outcome=_outcome(report),
        kinds=("sector of", "and is"),
        rows=[[row.sector_holds, "torn" if row.torn else "as before", *figures_of(row)] for row in report.rows],
        legend=LEGEND,
        found="What a check finds, before mending",
        found_nothing="A check finds nothing in any state.",
        faults=report.faults,
        worst=[*_worst(report)],
    )


def _heading(subject: CardSubject) -> list[str]:
    source = f"{subject.kind} {units.plain(subject.source)}" if subject.source else subject.kind
    operations = units.counted(subject.operations, "operation")
    work = f"{operations} that write, {units.counted(subject.sector_writes, 'sector write')}"
    lines = [
        units.plain(subject.title, COLUMNS),
        f"{source}: {work}",
        units.stands_on(subject.part, subject.cluster_count, subject.cluster_bytes, subject.settings),
        WHOSE,
    ]
    return [line for line in lines if line]


def _where(report: CardCutReport) -> str:
    subject = report.subject
    drawn = f"at {units.counted(subject.sample or 0, 'sector write')} drawn with seed {subject.seed}"
    where = drawn if subject.sample else "at every sector write"
    return (
        f"Power cut {where}, just before it and within it: {units.counted(report.states, 'state')}. A sector is as "
        "before, as meant, or can't be read any more."
    )


def _outcome(report: CardCutReport) -> list[tuple[bool, str]]:
    untorn, unmended = report.loses_untorn, report.not_mended
    lines = [(True, "Where no sector is torn, nothing that was acknowledged is lost.")]
    if untorn:
        lines = [(False, f"{units.counted(untorn, 'state')} lose something although no sector is torn.")]
    if unmended:
        found = f"After mending, a check still finds something in {units.counted(unmended, 'state')}."
        lines.append((False, found))
    return lines


def _worst(report: CardCutReport) -> Iterator[str]:
    if report.worst is None:
        return
    yield f"At worst: {_state(report.worst)}"
    mended = report.worst_when_mended
    if mended is not None and mended.write != report.worst.write:
        yield f"Mended, at worst: {_state(mended)}"
    if any(row.torn and row.sector_holds == "directory" and row.losing for row in report.rows):
        yield (
            "A torn directory costs every file that has its entry there, and the firmware can't open or create one in "
            "it. Keep few files in a directory, and the ones that matter apart from the log; append seldom."
        )


def _state(worst: Worst) -> str:
    deed = f"{worst.operation} {units.plain(worst.name)} by task {units.plain(worst.task)}"
    kept = (
        f" Mended, {units.size(worst.kept_bytes)} are in files that have lost their names." if worst.kept_bytes else ""
    )
    return (
        f"{deed}, sector write {worst.write:,}: sector {worst.sector:,} ({worst.sector_holds}) can't be read. "
        f"{units.counted(worst.files, 'file')} and {units.size(worst.lost_bytes)} are not found.{kept}"
    )
