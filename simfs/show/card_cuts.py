"""The report on power cuts in the writes of a card, on one screen: what is sound, what has to be mended, what is
lost."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from tabulate import tabulate

from simfs.show import WHOSE, units
from simfs.show.ending.fault_words import FAULT_WORDS
from simfs.study.card_cuts.report import CardCutReport, CardSubject, HitRow, Worst

COLUMNS = 100
LEGEND = (
    "Sound: a check finds nothing. To mend: it does, and all that was acknowledged is there. Loses: the firmware does "
    "not find all that was acknowledged before the operation that was cut; at most so much, of all files together. "
    "Mended: as many lose, once a check at the desk has put right what it can."
)


def as_text(report: CardCutReport) -> str:
    """The whole report, without a line end."""
    parts = [_heading(report.subject), _cut(report), _rows(report), _wrapped(LEGEND), _faults(report), _told(report)]
    return "\n\n".join(part for part in parts if part)


def _heading(subject: CardSubject) -> str:
    source = f"{subject.kind} {units.plain(subject.source)}" if subject.source else subject.kind
    operations = units.counted(subject.operations, "operation")
    work = f"{operations} that write, {units.counted(subject.sector_writes, 'sector write')}"
    lines = [
        units.plain(subject.title, COLUMNS),
        f"{source}: {work}",
        units.stands_on(subject.part, subject.cluster_count, subject.cluster_bytes, subject.settings),
        WHOSE,
    ]
    return "\n".join(_wrapped(line) for line in lines if line)


def _cut(report: CardCutReport) -> str:
    subject = report.subject
    where = (
        f"at {units.counted(subject.sample, 'sector write')} drawn with seed {subject.seed}"
        if subject.sample
        else ("at every sector write")
    )
    told = (
        f"Power cut {where}, just before it and within it: {units.counted(report.states, 'state')}. A sector is as "
        "before, as meant, or can't be read any more."
    )
    lines = [_wrapped(told)]
    if report.loses_untorn:
        lines.append(
            _wrapped(f"! {units.counted(report.loses_untorn, 'state')} lose something although no sector is torn.")
        )
    else:
        lines.append(_wrapped("Where no sector is torn, nothing that was acknowledged is lost."))
    if report.not_mended:
        lines.append(
            _wrapped(f"! After mending, a check still finds something in {units.counted(report.not_mended, 'state')}.")
        )
    return "\n".join(lines)


def _rows(report: CardCutReport) -> str:
    headers = (
        "sector of",
        "and is",
        "states",
        "sound",
        "to mend",
        "loses",
        "at most",
        "mended",
        "at most",
    )
    table = [_row(row) for row in report.rows]
    align = ("left", "left", *["right"] * (len(headers) - 2))
    return tabulate(table, headers, tablefmt="simple", disable_numparse=True, colalign=align)


def _row(row: HitRow) -> tuple[str, ...]:
    def number(count: int) -> str:
        return f"{count:,}" if count else "-"

    def size(count: int) -> str:
        return units.size(count) if count else "-"

    return (
        row.sector_holds, "torn" if row.torn else "as before", number(row.states), number(row.sound),
        number(row.to_mend), number(row.losing), size(row.lost_bytes_max), number(row.losing_when_mended),
        size(row.lost_bytes_max_when_mended),
    )  # fmt: skip


def _faults(report: CardCutReport) -> str:
    if not report.faults:
        return "A check finds nothing in any state."
    lines = [f"  {FAULT_WORDS[kind]}: {units.counted(count, 'state')}" for kind, count in report.faults.items()]
    return "\n".join(["What a check finds, before mending:", *lines])


def _told(report: CardCutReport) -> str:
    return "\n".join(_wrapped(line) for line in _worst_lines(report))


def _worst_lines(report: CardCutReport) -> Iterator[str]:
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


def _wrapped(text: str) -> str:
    return textwrap.fill(text, COLUMNS, break_on_hyphens=False)
