"""The orders of file operations that lose something of a firmware's files, in words. A cause is only named if cut
states of the campaign show it, with the call in which it was first seen."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from simfs.study.cuts.firmware.file_changes import CREATED, EMPTIED, GROWN, RENAMED_EARLY, UPDATED, Change, Cut

FINDINGS = ("whole", "old", "empty", "short", "mixed", "missing", "left over")
HARM = (
    "missing", "emptied", "renamed early", "waiting", "updated in pieces", "written in pieces", "created", "left over",
)  # fmt: skip
"""Kinds of causes, the worst first."""

REMEDIES = {
    "missing": "A rename replaces in one step: leave the removal out.",
    "emptied": "Write a new file and rename it over this one.",
    "renamed early": "Close the new file, or flush it, before its rename.",
    "waiting": "Flush after every reading that must not be lost.",
    "updated in pieces": "Write a new file and rename it over this one, or keep a record no longer than the buffer.",
    "written in pieces": "At the next start drop what follows the last whole reading; or write less at once.",
    "created": "At the next start, treat an empty file as missing.",
    "left over": 'Open it with "w" the next time, and never take it for the saved one.',
}


@dataclass(frozen=True, slots=True)
class Cause:
    """An order of operations and what it cost: seen in `states` cut states, in `changes` of the `of_changes` changes of
    that file, first with the power cut in call number `call` of the run (counted from 0), of the kind `during`.
    `lost_worst` is the most readings that it cost."""

    kind: str
    name: str
    what: str
    remedy: str
    states: int
    changes: int
    of_changes: int
    call: int
    during: str
    lost_worst: int


@dataclass(slots=True)
class _Note:
    first: Change
    call: int
    during: str
    findings: Counter[str] = field(default_factory=Counter)
    changes: set[int] = field(default_factory=set)  # the calls that began them
    lost_worst: int = 0


class CauseLedger:
    """Sums up the findings of cuts by their causes."""

    def __init__(self) -> None:
        self._notes: dict[tuple[str, str], _Note] = {}
        self._changes: Counter[str] = Counter()

    def change(self, pattern: str, change: Change) -> None:
        """Count a change, now whole, of a file of this name pattern."""
        self._changes[pattern] += 1

    def note(self, pattern: str, change: Change, cut: Cut, finding: str, lost: int) -> None:
        """Count what a cut in a change found, and the readings lost."""
        kind = _kind(change, cut, finding, lost)
        if not kind:
            return
        note = self._notes.get((kind, pattern))
        if note is None:
            note = self._notes[kind, pattern] = _Note(change, cut.call, cut.during)
        note.findings[finding] += cut.tally[0]
        note.changes.add(change.call)
        note.lost_worst = max(note.lost_worst, lost)

    def causes(self) -> tuple[Cause, ...]:
        """The causes, the worst kind first, and within a kind the most frequent."""
        told = [
            Cause(
                kind, name, _WORDS[kind](name, note), REMEDIES[kind], note.findings.total(), len(note.changes),
                self._changes[name], note.call, note.during, note.lost_worst,
            )
            for (kind, name), note in self._notes.items()
        ]  # fmt: skip
        return tuple(sorted(told, key=lambda cause: (HARM.index(cause.kind), -cause.states, cause.name)))


def _kind(change: Change, cut: Cut, finding: str, lost: int) -> str:
    """The kind of cause behind a finding; "" if no other order of operations would have avoided it."""
    if finding == "left over":
        return "left over"
    if finding == "missing":
        return "missing"
    if change.how in (EMPTIED, RENAMED_EARLY) and finding in ("empty", "short", "mixed"):
        return change.how
    if change.how == UPDATED and finding == "mixed":
        return "updated in pieces"
    if change.how in (GROWN, CREATED, UPDATED) and lost and cut.handed > 1:
        return "waiting"
    if change.how == CREATED and finding == "empty":
        return "created"
    return "written in pieces" if change.how in (GROWN, CREATED) and finding == "short" else ""


def _until(note: _Note) -> str:
    return f" until its {note.first.ended_by}" if note.first.ended_by in ("flush", "close") else ""


def _emptied(name: str, note: _Note) -> str:
    began = 'open with "w"' if note.first.mode else "a truncation"
    left = [what for what in ("empty", "short", "mixed") if note.findings[what]]
    words = {"empty": "empty", "short": "short", "mixed": "part old, part new"}
    stays = ", then ".join(words[what] for what in left)
    return f"{name} is emptied by {began} and stays {stays}{_until(note)}"


def _early(name: str, note: _Note) -> str:
    return f"another file is renamed to {name} while bytes of it still wait in its buffer: the rename is durable first"


def _missing(name: str, note: _Note) -> str:
    return f"{name} is removed before the file that takes its place bears its name: in between there is none"


def _waiting(name: str, note: _Note) -> str:
    return f"readings handed to {name} one after the other wait in its buffer, all or the last of them,{_until(note)}"


def _updated(name: str, note: _Note) -> str:
    return f"{name} is overwritten in place, and more than the buffer holds goes to flash in pieces: old and new mix"


def _pieces(name: str, note: _Note) -> str:
    return f"one write to {name} is longer than the buffer and goes to flash in pieces: its last reading may be torn"


def _created(name: str, note: _Note) -> str:
    return f"{name} is created by open and stays empty{_until(note)}"


def _left_over(name: str, note: _Note) -> str:
    return f"{name} is left over where the cut comes before its rename"


_WORDS = {
    "emptied": _emptied,
    "renamed early": _early,
    "missing": _missing,
    "waiting": _waiting,
    "updated in pieces": _updated,
    "written in pieces": _pieces,
    "created": _created,
    "left over": _left_over,
}
