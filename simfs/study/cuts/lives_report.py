"""Many lives of one run as one object to show."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simfs.files.heard import FileCall
from simfs.study.cuts.lives import campaign
from simfs.study.cuts.lives.campaign import BrokenLife, Lived
from simfs.study.cuts.lives.session import Session
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.report import CutSubject, Places, subject_of


@dataclass(frozen=True, slots=True)
class ShownLife:
    """A life that broke a promise, after so many cuts. `repeat` is the command that repeats it. `shortest` is the
    shortest that breaks the same, looked for in the first life of each kind."""

    seed: int
    promise: str
    what: str
    cuts: int
    repeat: str
    shortest: tuple[Session[FileCall], ...] | None


@dataclass(frozen=True, slots=True)
class LivesReport:
    """The whole report. A life has up to `cuts_per_life` cuts; `in_recoveries` counts those that came while the store
    was mounted."""

    subject: CutSubject
    lives: int
    cuts_per_life: int
    cuts: int
    in_recoveries: int
    broken: tuple[ShownLife, ...]


def lives_report(
    history: History, lived: Lived, *, source: str, kind: str, seed: int, profile: str, repeat: Callable[[int], str]
) -> LivesReport:
    """Put the report together. `repeat` gives the command that repeats the life of a seed."""

    def shown(life: BrokenLife) -> ShownLife:
        return ShownLife(life.seed, life.kind, life.what, life.cuts, repeat(life.seed), life.shortest)

    return LivesReport(
        subject=subject_of(history, source, kind, Places(seed=seed), profile),
        lives=lived.lives,
        cuts_per_life=campaign.CUTS_PER_LIFE,
        cuts=lived.cuts,
        in_recoveries=lived.in_recoveries,
        broken=tuple(map(shown, lived.broken)),
    )
