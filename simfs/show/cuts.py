"""The report on a campaign of power cuts on one screen: does the store keep its promises, what does the firmware find,
and which order of its operations costs it something."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from tabulate import tabulate

from simfs.show import WHOSE, units
from simfs.study.causes import FINDINGS, Cause
from simfs.study.consequences import Consequences, FileFindings
from simfs.study.cut_report import Broken, CutReport, CutSubject
from simfs.study.history import FileCall

COLUMNS = 100
NAME_WIDTH = 32
FILES_SHOWN = 12
CAUSES_SHOWN = 8
BROKEN_SHOWN = 3
CALLS_SHOWN = 12

LIMITS = "This holds for this run and this fault profile only. It was a model that lost its power, no real chip."
STATE_NOTE = "Shares are of all cut states. Half and 95 % of the states lose no more readings than the columns say."
HARMFUL = ("empty", "short", "mixed", "missing")


def as_text(report: CutReport) -> str:
    """The whole report, without a line end."""
    parts = [_heading(report), _promises(report), _files(report.consequences)]
    parts.append(_causes(report.consequences.causes))
    return "\n\n".join(part for part in parts if part)


def _heading(report: CutReport) -> str:
    subject = report.subject
    lines = [units.plain(subject.title, COLUMNS), _ran(subject), _flash(subject), WHOSE]
    return "\n".join(_wrapped(line) for line in lines if line)


def _ran(subject: CutSubject) -> str:
    source = f"{subject.kind} {units.plain(subject.source)}" if subject.source else subject.kind
    work = f"{units.counted(subject.programs, 'program')} and {units.counted(subject.erases, 'erase')} of the flash"
    return f"{source}: {units.counted(subject.file_calls, 'file call')}, {work}"


def _flash(subject: CutSubject) -> str:
    blocks = f"{units.counted(subject.block_count, 'block')} of {units.size(subject.block_bytes)}"
    total = units.size(subject.block_count * subject.block_bytes)
    heads = units.counted(int(str(subject.settings["log_heads"])), "log head")
    return (
        f"flash {subject.part}: {blocks}, {total}; store: {subject.settings['cleaner']} cleaner, {heads}, "
        f"{subject.settings['packing']} packing"
    )


def _promises(report: CutReport) -> str:
    subject = report.subject
    lines = [f"Power cut {subject.cut_at}, fault profile {subject.profile}: {units.counted(report.states, 'state')}."]
    if report.broken:
        lines[0] += f" ! {units.counted(len(report.broken), 'of them breaks', 'of them break')} a promise of the store:"
        lines.append("a fault of simfs, not of your firmware. Please report it with the lines below.")
        for broken in report.broken[:BROKEN_SHOWN]:
            lines += _broken(broken)
        more = len(report.broken) - BROKEN_SHOWN
        lines += [f"{more:,} more with --json"] if more > 0 else []
    else:
        lines.append(
            "In each of them the store mounts, holds all that was acknowledged, finds the same again at the next mount"
            " and goes on working."
        )
    lines.append(LIMITS)
    return "\n".join(line if line.startswith("  ") else _wrapped(line) for line in lines)


def _broken(broken: Broken) -> Iterator[str]:
    """A case's lines; what is to be pasted stays on one, however long."""
    yield f"  ! {broken.promise}: {units.plain(broken.what, COLUMNS)}"
    yield f"    {broken.repeat}"
    if broken.short is not None:
        yield f"    shortest: {units.counted(len(broken.short.calls), 'file call')}"
        for call in broken.short.calls[:CALLS_SHOWN]:
            yield f"      {call_in_words(call)}"
        if len(broken.short.calls) > CALLS_SHOWN:
            yield f"      and {len(broken.short.calls) - CALLS_SHOWN:,} more"
        yield f"    {broken.short.repeat}"


def call_in_words(call: FileCall) -> str:
    """A file call on one line."""
    what = {
        "open": f'open {units.plain(call.name)} "{call.mode}" as {call.handle}',
        "write": f"write {units.counted(len(call.data), 'byte')} {_at(call)} {call.handle}",
        "truncate": f"truncate {units.plain(call.name) if call.name else call.handle} to {call.at:,} bytes",
        "remove": f"remove {units.plain(call.name)}",
        "rename": f"rename {units.plain(call.name)} to {units.plain(call.to)}",
        "idle": "idle time",
        "mount": "boot",
    }.get(call.kind, f"{call.kind} {call.handle}")
    return f"{what}: refused, {call.error}" if call.error else what


def _at(call: FileCall) -> str:
    return "at the end of" if call.at < 0 else f"at {call.at:,} of"


def _files(told: Consequences) -> str:
    """What the firmware finds of each file, the worst first."""
    files = sorted(told.files, key=lambda file: (-_harm(file), -file.lost.worst, file.name))
    if not files or not told.states:
        return ""
    shown = files[:FILES_SHOWN]
    kinds = [kind for kind in FINDINGS if any(kind in file.states for file in shown)]
    table = [
        (
            ("! " if _harm(file) else "") + units.plain(file.name, NAME_WIDTH),
            *(_share(file.states.get(kind, 0), told.states) for kind in kinds),
            f"{units.counted(file.lost.worst, file.unit)}",
            f"{file.lost.median:,}",
            f"{file.lost.percentile_95:,}",
        )
        for file in shown
    ]
    headers = ("the firmware finds", *kinds, "lost at worst", "half", "95 %")
    text = tabulate(
        table, headers, tablefmt="simple", disable_numparse=True, colalign=("left", *["right"] * (len(headers) - 1))
    )
    rest = len(files) - FILES_SHOWN
    more = f"\n{units.counted(rest, 'more file')} with --json" if rest > 0 else ""
    whole = f"All files together: {units.counted(told.lost.worst, 'reading')} lost at worst, half of the states lose "
    whole += f"{told.lost.median:,} or fewer, 95 % {told.lost.percentile_95:,} or fewer. Shares are of all cut states."
    return f"{text}{more}\n{_wrapped(whole)}"


def _harm(file: FileFindings) -> int:
    return sum(file.states.get(kind, 0) for kind in HARMFUL)


def _share(states: int, of_states: int) -> str:
    """A dash for none, so that what never happens is not taken for what hardly does."""
    return units.percent(100 * states / of_states) if states else "-"


def _causes(causes: tuple[Cause, ...]) -> str:
    if not causes:
        return "No order of operations was seen that costs anything but what was in flight."
    lines = ["What causes it, the worst first"]
    for cause in causes[:CAUSES_SHOWN]:
        seen = f"{cause.changes:,} of {units.counted(cause.of_changes, 'change')}"
        cost = f", at worst {units.counted(cause.lost_worst, 'reading')} lost" if cause.lost_worst else ""
        first = f"first in file call {cause.call:,} ({cause.during})"
        text = f"{units.plain(cause.what, 300)}. Seen in {seen}, {first}{cost}. {cause.remedy}"
        lines.append(textwrap.fill(text, COLUMNS, initial_indent="! ", subsequent_indent="  ", break_on_hyphens=False))
    rest = len(causes) - CAUSES_SHOWN
    return "\n".join([*lines, f"{rest:,} more with --json"] if rest > 0 else lines)


def _wrapped(text: str) -> str:
    return textwrap.fill(text, COLUMNS, break_on_hyphens=False)
