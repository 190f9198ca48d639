"""Many lives of one run, on all cores, and the shortest life that breaks a promise."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from random import Random

from simfs.files.heard import FileCall
from simfs.flash.interrupted import Profile
from simfs.study.cuts.lives.life import Life
from simfs.study.cuts.lives.session import Session, Violation, sessions
from simfs.study.cuts.lives.shrink import shrink
from simfs.study.cuts.lives.story import Story
from simfs.study.cuts.notes.history import History
from simfs.study.pools import Shared, in_order, pool

CUTS_PER_LIFE = 100
SESSIONS_PER_CUT = 4
FEW_LIVES = 4  # for which it is not worth while to begin processes
GAPS = (6, 20, 60)  # a cut comes after at most so many changes of the flash
LONGEST_GAP = 1000
SAGS = (0, 10, 30)
SHRINK_SESSIONS = 4000  # lived while a life is shrunk: about half a minute
SHORTENED = 3  # violations that are shrunk

Sessions = tuple[Session[FileCall], ...]


@dataclass(frozen=True, slots=True)
class BrokenLife:
    """A life that broke a promise, after so many cuts. `shortest` is the shortest that was found to break the same, if
    one was looked for."""

    seed: int
    kind: str
    what: str
    cuts: int
    sessions: Sessions
    shortest: Sessions | None = None


@dataclass(frozen=True, slots=True)
class Lived:
    """What came of some lives."""

    lives: int
    cuts: int
    in_recoveries: int
    broken: tuple[BrokenLife, ...]


def lives_of(
    history: History,
    lives: int,
    *,
    seed: int = 0,
    profile: Profile | str = Profile.PROGRAM,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Lived:
    """Live so many lives, with this seed and those after it. Those that break a promise are named; the shortest life is
    looked for in the first of each kind. The result does not depend on the executor."""
    profile = Profile(profile)
    seeds = range(seed, seed + lives)
    total = Lived(0, 0, 0, ())
    with pool(executor, small=lives <= FEW_LIVES) as workers:
        for lived in in_order(workers, partial(_live, profile), seeds, Shared(history)):
            total = _sum(total, lived)
            if progress:
                progress(total.lives, lives)
    if total.broken and progress:
        progress(0, 0)  # nobody knows how long it takes to find the shortest
    return replace(total, broken=tuple(_with_shortest(history, total.broken, profile)))


def _live(profile: Profile, seed: int, history: Shared[History]) -> Lived:
    return live(history.value, seed, profile)


def live(history: History, seed: int, profile: Profile) -> Lived:
    """One life: its seed says when the power goes, what that leaves, and where in the run it begins."""
    random = Random(f"life {seed}")
    longest = min(LONGEST_GAP, max(GAPS[-1], len(history.operations) // 2))
    gap = random.choice((*GAPS, longest))
    start = random.randrange(len(history.calls)) if seed else 0
    story = Story(history.calls, [name for name, _ in history.contents], start)
    life = Life(history, profile)
    lived: list[Session[FileCall]] = []
    for session in sessions(gap, random.choice(SAGS), random):
        if life.cuts >= CUTS_PER_LIFE or len(lived) >= CUTS_PER_LIFE * SESSIONS_PER_CUT:
            break
        lived.append(session)
        try:
            life.live(session, story)
        except Violation as violation:
            broken = BrokenLife(seed, violation.kind, violation.text, life.cuts, tuple(lived))
            return Lived(1, life.cuts, life.in_recovery, (broken,))
    return Lived(1, life.cuts, life.in_recovery, ())


def live_again(history: History, planned: list[Session[FileCall]], profile: Profile) -> str | None:
    """The kind of violation, if any; sessions after it are dropped."""
    life = Life(history, profile)
    for number, session in enumerate(planned):
        try:
            life.live(session)
        except Violation as violation:
            del planned[number + 1 :]
            return violation.kind
    return None


def _sum(one: Lived, other: Lived) -> Lived:
    return Lived(
        one.lives + other.lives,
        one.cuts + other.cuts,
        one.in_recoveries + other.in_recoveries,
        one.broken + other.broken,
    )


def _with_shortest(history: History, broken: tuple[BrokenLife, ...], profile: Profile) -> Iterator[BrokenLife]:
    seen: set[str] = set()
    for one in broken:
        if one.kind not in seen and len(seen) < SHORTENED:
            seen.add(one.kind)
            shortest = shrink(
                list(one.sessions), lambda planned: live_again(history, planned, profile), _shorter, SHRINK_SESSIONS
            )
            one = replace(one, shortest=tuple(shortest) if shortest else None)
        yield one


def _shorter(call: FileCall) -> FileCall | None:
    return replace(call, data=call.data[: len(call.data) // 2]) if len(call.data) > 1 else None
