"""The report on power cuts in the writes of a card, on one screen: what is sound, what has to be mended, what is
lost."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from simfs.show import WHOSE, units
from simfs.show.ending.hits import fault_lines, figures_of, hits_table, marked
from simfs.study.card_cuts.report import CardCutReport, CardSubject, Worst

COLUMNS = 100
LEGEND = (
    "Sound: a check finds nothing. To mend: it does, and all that was acknowledged is there. Loses: the firmware does "
    "not find all that was acknowledged before the operation that was cut; at most so much, of all files together. "
    "Mended: as many lose, once a check at the desk has put right what it can."
)


KINDS = ("sector of", "and is")
FOUND = "What a check finds, before mending"
NOTHING_FOUND = "A check finds nothing in any state."


def as_text(report: CardCutReport) -> str:
    """The whole report, without a line end."""
    faults = [f"{FOUND}:", *(f"  {line}" for line in fault_lines(report.faults))] if report.faults else [NOTHING_FOUND]
    parts = [
        _lines(heading_lines(report.subject)),
        _lines([where_cut(report), *marked(outcome(report))]),
        hits_table(KINDS, rows_of(report)),
        _wrapped(LEGEND),
        "\n".join(faults),
        _lines(worst_lines(report)),
    ]
    return "\n\n".join(part for part in parts if part)


def heading_lines(subject: CardSubject) -> list[str]:
    """The title, what ran, on what, and whose figures they are."""
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


def where_cut(report: CardCutReport) -> str:
    """Where the power was cut, and how many states that left."""
    subject = report.subject
    drawn = f"at {units.counted(subject.sample or 0, 'sector write')} drawn with seed {subject.seed}"
    where = drawn if subject.sample else "at every sector write"
    return (
        f"Power cut {where}, just before it and within it: {units.counted(report.states, 'state')}. A sector is as "
        "before, as meant, or can't be read any more."
    )


def outcome(report: CardCutReport) -> list[tuple[bool, str]]:
    """What came of it, each with whether it is as it should be."""
    untorn, unmended = report.loses_untorn, report.not_mended
    lines = [(True, "Where no sector is torn, nothing that was acknowledged is lost.")]
    if untorn:
        lines = [(False, f"{units.counted(untorn, 'state')} lose something although no sector is torn.")]
    if unmended:
        found = f"After mending, a check still finds something in {units.counted(unmended, 'state')}."
        lines.append((False, found))
    return lines


def rows_of(report: CardCutReport) -> list[list[str]]:
    """The table's rows: what was hit, and the figures."""
    return [[row.sector_holds, "torn" if row.torn else "as before", *figures_of(row)] for row in report.rows]


def worst_lines(report: CardCutReport) -> Iterator[str]:
    """The states that lose the most, and what would help."""
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


def _lines(lines: Iterable[str]) -> str:
    return "\n".join(map(_wrapped, lines))


def _wrapped(text: str) -> str:
    return textwrap.fill(text, COLUMNS, break_on_hyphens=False)
