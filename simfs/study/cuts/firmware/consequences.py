"""What a firmware finds when the power comes back: which files are empty, short or old, how many readings are gone, and
which order of its operations causes that.

A campaign counts how often the store came back as it was after which persistence event. Everything here follows from
those counts and from the calls. A *reading* is a line, or in a file without lines what one write call brought. A
reading counts as lost if the firmware has handed it to a write and the store does not have it after the cut, or if the
store had it and an unfinished change has taken it away. Frequencies are over cut states, not over time.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from simfs.study.cuts.firmware.causes import FINDINGS, Cause, CauseLedger
from simfs.study.cuts.firmware.file_changes import CREATED, GROWN, SIDE_FILE, UPDATED, Change, Changes, Cut
from simfs.study.cuts.judging.verdicts import Found
from simfs.study.cuts.notes.history import History

PER_MILLE = 1000
_DIGITS = re.compile(r"\d+")


@dataclass(frozen=True, slots=True)
class Losses:
    """Readings lost over cut states: the most, and the numbers that half and 95 % of the states do not exceed."""

    worst: int
    median: int
    percentile_95: int


@dataclass(frozen=True, slots=True)
class FileFindings:
    """What was found of a file, or of all files with names that differ in digits only. `states` counts cut states by
    what was found: "whole" (as meant), "old" (as before the change in flight), "empty", "short" (the beginning only),
    "mixed" (old and new bytes), "missing", "left over" (a side file that its rename should have taken away)."""

    name: str
    files: int
    changes: int
    unit: str  # "line" or "record": what a reading is
    states: dict[str, int]
    lost: Losses


@dataclass(frozen=True, slots=True)
class Consequences:
    """What the firmware finds after `states` cut states. In `damaged` more states the store says that it is damaged,
    which it may if the part spoils more than what was being programmed."""

    states: int
    damaged: int
    lost: Losses
    files: tuple[FileFindings, ...]
    causes: tuple[Cause, ...]


@dataclass(slots=True)
class _Notes:
    """The findings so far about the files of one name pattern."""

    names: set[str] = field(default_factory=set)
    changes: int = 0
    lines: bool = True
    states: Counter[str] = field(default_factory=Counter)
    lost: Counter[int] = field(default_factory=Counter)


def consequences(history: History, found: Iterable[Found]) -> Consequences:
    """Go through the run once, with what the campaign found at each flash operation. Costs a few us for each entry of
    `found`, and a copy of a file for each event of it."""
    by_call: defaultdict[int, Counter[int]] = defaultdict(Counter)
    damaged = 0
    for one in found:
        if one.event < 0:
            damaged += one.states
        else:
            by_call[history.operations[one.operation].call][one.event] += one.states
    notes: defaultdict[str, _Notes] = defaultdict(_Notes)
    ledger, tallies = CauseLedger(), []
    named = {name for call in history.calls for name in (call.name, call.to)}
    pattern_of = _patterns(named | {name for name, _ in history.contents})
    for step in _changes(history, by_call):
        if isinstance(step, Change):
            _judge(step, notes[pattern_of[step.name]], pattern_of[step.name], ledger)
        else:
            tallies.append(step)
    lost: Counter[int] = Counter()
    for states, readings in tallies:
        lost[readings] += states
    return Consequences(lost.total(), damaged, _losses(lost), _files(lost.total(), notes), ledger.causes())


def _patterns(names: set[str]) -> dict[str, str]:
    """The name under which each file is counted: names that differ only in digits count as one."""
    alike: defaultdict[str, list[str]] = defaultdict(list)
    for name in names:
        alike[_DIGITS.sub("#", name)].append(name)
    return {name: pattern if len(group) > 1 else name for pattern, group in alike.items() for name in group}


def _changes(history: History, by_call: dict[int, Counter[int]]) -> Iterator[Change | list[int]]:
    """The changes as they become whole, and the tallies of the states: [states, readings lost in each]."""
    durable, changes = dict(history.contents), Changes(history)
    for number in range(len(history.calls)):
        changes.begin(number, durable)
        first, last = history.events_in(number)
        groups = by_call.get(number, Counter())
        for event in range(first, last + 1):
            if event > first:
                history.events[event - 1].apply(durable)
            if groups and groups[event]:
                yield changes.cut(durable, groups[event])
        yield from changes.end(durable)
    yield from changes.finish(durable)


def _judge(change: Change, notes: _Notes, pattern: str, ledger: CauseLedger) -> None:
    """For each cut in the change: what was found, what is lost and why."""
    notes.names.add(change.name)
    notes.changes += 1
    lines = _is_lines(change.after or change.before or b"")
    notes.lines &= lines
    ledger.change(pattern, change)
    for cut in change.cuts:
        what, lost = finding(change, cut), readings_lost(change, cut, lines)
        states = cut.tally[0]
        notes.states[what] += states
        notes.lost[lost] += states
        cut.tally[1] += lost
        ledger.note(pattern, change, cut, what, lost)


def finding(change: Change, cut: Cut) -> str:
    """What the firmware finds of the file, in a word."""
    found, before, after = cut.found, change.before, change.after
    if change.how == SIDE_FILE:
        return "whole" if found is None else "left over"
    if found == after or (change.how in (GROWN, UPDATED) and _has_all(change, cut)):
        return "whole"
    if found == before:
        return "old"
    if found is None:
        return "missing"
    if not found:
        return "empty"
    if after is None:  # it was renamed or removed before it was whole
        return "short" if len(found) < cut.size_bytes else "whole"
    return "short" if after.startswith(found) or (before or b"").startswith(found) else "mixed"


def _has_all(change: Change, cut: Cut) -> bool:
    """Whether all that was handed over so far is there: in a file that grows, the beginning of what comes to be."""
    if change.how == UPDATED:
        return cut.found is not None and not _writes_lost(change, cut)
    return cut.found is not None and len(cut.found) == cut.size_bytes


def readings_lost(change: Change, cut: Cut, lines: bool) -> int:
    """How many readings are missing that the firmware had, or had handed to a write."""
    found, before, after = cut.found or b"", change.before, change.after or b""
    if change.how == SIDE_FILE or change.after is None:
        return 0
    if change.how == UPDATED:
        return _writes_lost(change, cut)
    if change.how in (GROWN, CREATED):
        size_bytes = min(cut.size_bytes, len(after))
        return max(0, _gone(after[:size_bytes], found, change.ends, lines))
    if cut.found in (before, after) or cut.elsewhere == after:
        return 0
    lost = _gone(after, found, change.ends, lines)
    return lost if before is None else min(lost, _gone(before, found, change.before_ends, lines))


def _gone(whole: bytes, found: bytes, ends: list[int], lines: bool) -> int:
    """How many readings of a file are not in what was found of it."""
    kept = len(found) if whole.startswith(found) else _alike_bytes(found, whole)
    if lines:
        return whole.count(b"\n", kept)
    return bisect_right(ends, len(whole)) - bisect_right(ends, kept)


def _writes_lost(change: Change, cut: Cut) -> int:
    found, after = cut.found or b"", change.after or b""
    handed = change.writes[: cut.handed]
    return sum(found[write.at : write.end] != after[write.at : write.end] for write in handed)


def _alike_bytes(one: bytes, other: bytes) -> int:
    """How many bytes two files have in common from their start on."""
    pairs = enumerate(zip(one, other, strict=False))
    return next((at for at, (left, right) in pairs if left != right), min(len(one), len(other)))


def _is_lines(contents: bytes) -> bool:
    return contents.endswith(b"\n") and b"\0" not in contents


def _files(states: int, notes: dict[str, _Notes]) -> tuple[FileFindings, ...]:
    files = []
    for pattern, note in sorted(notes.items()):
        rest = states - note.states.total()
        note.states["whole"] += rest
        note.lost[0] += rest
        unit = "line" if note.lines else "record"
        shown = {what: note.states[what] for what in FINDINGS if note.states[what]}
        files.append(FileFindings(pattern, len(note.names), note.changes, unit, shown, _losses(note.lost)))
    return tuple(files)


def _losses(lost: Counter[int]) -> Losses:
    return Losses(max((most for most in lost if lost[most]), default=0), _percentile(lost, 500), _percentile(lost, 950))


def _percentile(lost: Counter[int], per_mille: int) -> int:
    """The smallest loss that so many of 1,000 states do not exceed; 0 without states."""
    seen, rank = 0, max(1, -(-lost.total() * per_mille // PER_MILLE))
    for readings in sorted(lost):
        seen += lost[readings]
        if seen >= rank:
            return readings
    return 0
