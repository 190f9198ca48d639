"""The report on a campaign of power cuts on one screen: does the store keep its promises, what does the firmware find,
and which of its ways to save a file lose something."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from itertools import groupby

from tabulate import tabulate

from simfs.files.heard import FileCall
from simfs.show import WHOSE, units
from simfs.study.cuts.firmware.causes import FINDINGS, Cause
from simfs.study.cuts.firmware.consequences import Consequences, FileFindings, Losses
from simfs.study.cuts.report import Broken, CutReport, CutSubject

COLUMNS = 100
FILES_SHOWN = 12
WHAT_WIDTH = 300
GAP = 2  # between columns
ALIKE_SHOWN = 3
BROKEN_SHOWN = 3
CALLS_SHOWN = 12

LIMITS = "This holds for this run and this fault profile only. A model lost its power, not a real chip."
NO_CAUSE = "No order of operations was seen that costs anything but what was in flight."
LOSSES = ("worst", "median", "95 %")
HARMFUL = ("empty", "short", "mixed", "missing")


def as_text(report: CutReport) -> str:
    """The whole report, without a line end."""
    parts = [heading(report.subject), _promises(report), _files(report.consequences)]
    parts.append(_causes(report.consequences.causes))
    return "\n\n".join(part for part in parts if part)


def heading(subject: CutSubject) -> str:
    """What ran, and on what."""
    return "\n".join(_wrapped(line) for line in heading_lines(subject))


def heading_lines(subject: CutSubject) -> list[str]:
    """The title, what ran, on what, and whose figures they are."""
    return [line for line in (units.plain(subject.title, COLUMNS), _ran(subject), _flash(subject), WHOSE) if line]


def _ran(subject: CutSubject) -> str:
    source = f"{subject.kind} {units.plain(subject.source)}" if subject.source else subject.kind
    work = f"{units.counted(subject.programs, 'program')} and {units.counted(subject.erases, 'erase')} of the flash"
    return f"{source}: {units.counted(subject.file_calls, 'file call')}, {work}"


def _flash(subject: CutSubject) -> str:
    return units.stands_on(subject.part, subject.block_count, subject.block_bytes, subject.settings)


def _promises(report: CutReport) -> str:
    lines = [where_cut(report)]
    if report.broken:
        lines.append(f"! {kept(report)[:-1]}:")
        lines += [line for one in report.broken[:BROKEN_SHOWN] for line in _broken(one)]
        more = len(report.broken) - BROKEN_SHOWN
        lines += [f"  {more:,} more with --json"] if more > 0 else []
    else:
        lines.append(kept(report))
    lines.append(LIMITS)
    return "\n".join(line if line.startswith("  ") else _wrapped(line) for line in lines)


def where_cut(report: CutReport) -> str:
    """Where the power was cut, and how many states that left."""
    enough = " There the campaign ended, with enough found." if report.ended_early and report.broken else ""
    return f"Power cut {_places(report)}, fault profile {report.subject.profile}: {_states(report.states)}.{enough}"


def _places(report: CutReport) -> str:
    places, flight = report.subject.places, report.in_flight
    if flight is not None:
        what = "an erase" if flight.data is None else f"a program of {units.counted(len(flight.data), 'byte')}"
        call = f"file call {flight.call:,}, {call_in_words(flight.file_call)}"
        return f"once, at {places.only}: in {what} at address {flight.address:,}, in {call}"
    again = ("", ", and in each recovery", ", in each recovery, and in one of that again")[places.depth - 1]
    if places.sample is not None:
        return f"at {units.counted(places.sample, 'place')} drawn with seed {places.seed}{again}"
    return f"at every {places.every}{again}"


def _states(count: int) -> str:
    return units.counted(count, "state")


def kept(report: CutReport) -> str:
    """Whether the store keeps its promises."""
    if report.broken:
        broken = units.counted(len(report.broken), "state breaks", "states break")
        return f"{broken} a promise of the store. That is a fault of simfs, not of your firmware."
    each = "In each of them the store" if report.states > 1 else "The store"
    holds = "holds all that was acknowledged"
    if not report.subject.keeps_all:
        holds += f" or tells that some may be lost ({_states(report.consequences.damaged)})"
    return f"{each} mounts, {holds}, finds the same again at the next mount and goes on working."


def _broken(broken: Broken) -> Iterator[str]:
    """A case's lines. The command to paste stays on one line, however long it is."""
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
    files = worst_first(told)
    if not files:
        return ""
    shown = files[:FILES_SHOWN]
    kinds = kinds_of(shown)
    table = [(*kinds, "lost at", "", ""), (*("%" for _ in kinds), *LOSSES)]
    table += [figures_of(file, kinds, told.states) for file in shown]
    beside = sum(GAP + max(map(len, column)) for column in zip(*table, strict=True))
    names = ["the firmware", "finds", *(_name(file, COLUMNS - beside) for file in shown)]
    lines = [(name, *row) for name, row in zip(names, table, strict=True)]
    lines.insert(2, tuple("-" * max(map(len, column)) for column in zip(*lines, strict=True)))
    text = tabulate(
        lines, tablefmt="plain", disable_numparse=True, colalign=("left", *["right"] * (len(kinds) + len(LOSSES)))
    )
    rest = len(files) - FILES_SHOWN
    more = f"\n{units.counted(rest, 'more file')} with --json" if rest > 0 else ""
    return f"{text}{more}\n{_wrapped(f'Shares are of all cut states. {losses(told.lost)}')}"


def worst_first(told: Consequences) -> list[FileFindings]:
    """The files that the firmware may find, those that lose most first."""
    return sorted(told.files, key=lambda file: (-harm(file), -file.lost.worst, file.name)) if told.states else []


def kinds_of(files: list[FileFindings]) -> list[str]:
    """What is found of any of these files."""
    return [kind for kind in FINDINGS if any(kind in file.states for file in files)]


def figures_of(file: FileFindings, kinds: list[str], states: int) -> tuple[str, ...]:
    """Figures with a dash where something never occurred, so that it is not taken for something rare."""
    shares = (f"{100 * file.states[kind] / states:.1f}" if kind in file.states else "-" for kind in kinds)
    lost = file.lost
    return (*shares, units.counted(lost.worst, file.unit), f"{lost.median:,}", f"{lost.percentile_95:,}")


def _name(file: FileFindings, width: int) -> str:
    """A file's name, cut to the room beside the other columns, and marked when the file loses something."""
    mark = "! " if harm(file) else ""
    return mark + units.plain(file.name, width - len(mark))


def harm(file: FileFindings) -> int:
    """In how many states the file has lost something."""
    return sum(file.states.get(kind, 0) for kind in HARMFUL)


def losses(lost: Losses) -> str:
    """What all files lose together."""
    if not lost.worst:
        return "No reading is lost."
    half, most = _at_most(lost.median), _at_most(lost.percentile_95)
    return f"All files together lose {_at_most(lost.worst)}, in half of the states {half}, in 95 % {most}."


def _at_most(readings: int) -> str:
    return f"at most {units.counted(readings, 'reading')}" if readings else "none"


def _causes(causes: tuple[Cause, ...]) -> str:
    """The most frequent cause of each kind in full; other files with the same cause are only named."""
    if not causes:
        return NO_CAUSE
    lines = [
        textwrap.fill(text, COLUMNS, initial_indent="! ", subsequent_indent="  ", break_on_hyphens=False)
        for text in cause_lines(causes)
    ]
    return "\n".join(["What causes it, the worst first", *lines])


def cause_lines(causes: tuple[Cause, ...]) -> Iterator[str]:
    """Each kind of cause with its remedy."""
    for _, alike in groupby(causes, key=lambda cause: cause.kind):
        cause, *others = alike
        yield f"{_cause(cause)}{_alike(others)} {cause.remedy}"


def _cause(cause: Cause) -> str:
    seen = f"{cause.changes:,} of {units.counted(cause.of_changes, 'change')}"
    cost = f", at worst {units.counted(cause.lost_worst, 'reading')} lost" if cause.lost_worst else ""
    first = f"first in file call {cause.call:,} ({cause.during})"
    return f"{units.plain(cause.what, WHAT_WIDTH)}. Seen in {seen}, {first}{cost}."


def _alike(others: list[Cause]) -> str:
    if not others:
        return ""
    names = [units.plain(other.name) for other in others[:ALIKE_SHOWN]]
    names += [f"{len(others) - ALIKE_SHOWN:,} more"] if len(others) > ALIKE_SHOWN else []
    return f" The same with {', '.join(names)}."


def _wrapped(text: str) -> str:
    return textwrap.fill(text, COLUMNS, break_on_hyphens=False)
