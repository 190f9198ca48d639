"""What a move finds: a finding for each place in the scenario or recording and each kind of trouble there."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.study.run.figures import Subject

Number = int | float

LOST, REFUSED, ADVICE = "lost", "refused", "advice"
LEVELS = (LOST, REFUSED, ADVICE)


@dataclass(frozen=True, slots=True)
class Change:
    """A figure of the run on the new store, as it is and with the fix; the name ends with its unit. None is unknown."""

    name: str
    before: Number | None
    after: Number | None


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that will not carry over.

    level   "lost", "refused" or "advice"
    kind    what it is about, in a few words
    line    of the file; place: the key of a scenario, or a file's name in a recording
    seen    what the run showed, happens: what that means on the new store
    fix     what to change; "" where nothing helps
    tried   what the fix changes, measured by another run; empty where `untried` says why there was none
    """

    level: str
    kind: str
    line: int
    place: str
    seen: str
    happens: str
    fix: str
    tried: tuple[Change, ...] = ()
    untried: str = ""

    @property
    def breaks(self) -> bool:
        return self.level != ADVICE


@dataclass(frozen=True, slots=True)
class Moving:
    """All findings, in the order of the lines; `onto` is the new store, `not_seen` what this kind of file
    can't show."""

    file: str
    to: str
    onto: Subject
    findings: tuple[Finding, ...]
    not_seen: str
    together: tuple[Change, ...] = ()  # what all fixes together change of what breaks, where there are several

    @property
    def lost_or_refused(self) -> int:
        return sum(finding.breaks for finding in self.findings)


def in_order(findings: list[Finding]) -> tuple[Finding, ...]:
    """By line, the worst of a line first."""
    return tuple(sorted(findings, key=lambda one: (one.line, LEVELS.index(one.level))))
