"""A campaign and what it means, as one object to show."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass

from simfs.study.consequences import Consequences, consequences
from simfs.study.cut_points import CutPoint
from simfs.study.history import FileCall, History
from simfs.study.verdicts import CampaignResult, Violation


@dataclass(frozen=True, slots=True)
class CutSubject:
    """What ran, on what, and where it was cut. `cut_at` says it in words."""

    title: str
    source: str
    kind: str
    file_calls: int
    programs: int
    erases: int
    part: str
    block_count: int
    block_bytes: int
    settings: dict[str, object]
    cut_at: str
    profile: str


@dataclass(frozen=True, slots=True)
class ShortCase:
    """A violation with as few file calls as still show it. `repeat` is a line that repeats it."""

    calls: tuple[FileCall, ...]
    repeat: str


@dataclass(frozen=True, slots=True)
class Broken:
    """A promise that the store broke. `repeat` is a line that repeats this case alone; `short` is None where no search
    for a shorter one was made."""

    promise: str
    what: str
    cut: str
    repeat: str
    short: ShortCase | None


@dataclass(frozen=True, slots=True)
class CutReport:
    """The whole of it. `states_by_cut` counts them by what was cut and what that left."""

    subject: CutSubject
    states: int
    states_by_cut: dict[str, int]
    broken: tuple[Broken, ...]
    consequences: Consequences


Shorten = Callable[[Violation], ShortCase]


def cut_report(
    history: History,
    result: CampaignResult,
    *,
    source: str,
    kind: str,
    cut_at: str,
    profile: str,
    repeat: Callable[[CutPoint], str],
    shorten: Shorten,
) -> CutReport:
    """Put it together. `repeat` gives the line that repeats a cut; `shorten` is asked once for each promise broken."""
    erases = sum(operation.data is None for operation in history.operations)
    subject = CutSubject(
        title=history.title,
        source=source,
        kind=kind,
        file_calls=len(history.calls),
        programs=len(history.operations) - erases,
        erases=erases,
        part=history.datasheet.name,
        block_count=history.block_count,
        block_bytes=history.datasheet.block_bytes,
        settings=asdict(history.config),
        cut_at=cut_at,
        profile=profile,
    )
    broken, seen = [], set()
    for violation in result.violations:
        short = None if violation.promise in seen else shorten(violation)
        seen.add(violation.promise)
        broken.append(Broken(violation.promise, violation.what, str(violation.cut), repeat(violation.cut), short))
    return CutReport(subject, result.states, dict(result.counts), tuple(broken), consequences(history, result.found))
