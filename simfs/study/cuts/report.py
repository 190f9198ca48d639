"""A campaign and what it means for the firmware, as one object to show."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simfs.files.contract import Settings
from simfs.files.heard import FileCall
from simfs.files.log_settings import settings_of
from simfs.flash.interrupted import Profile
from simfs.study.cuts.firmware.consequences import Consequences, consequences
from simfs.study.cuts.judging.judge import Rules
from simfs.study.cuts.judging.verdicts import CampaignResult, Violation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History

VIOLATIONS_MAX = 20  # a campaign that finds so many ends there


@dataclass(frozen=True, slots=True)
class Places:
    """Where the power is cut: at `every` "operation", "byte" or "bit", at `sample` places drawn with `seed`, or at the
    `only` cut. What does not apply is None. With `depth` 2 and 3 recoveries are cut as well."""

    every: str | None = None
    sample: int | None = None
    seed: int | None = None
    only: str | None = None
    depth: int = 1


@dataclass(frozen=True, slots=True)
class CutSubject:
    """What ran, on what, and where it was cut. `keeps_all`: in this profile the store promises to lose nothing that was
    acknowledged; in the others it only promises to report what it lost."""

    title: str
    source: str
    kind: str
    file_calls: int
    programs: int
    erases: int
    part: str
    block_count: int
    block_bytes: int
    settings: Settings
    places: Places
    profile: str
    keeps_all: bool


@dataclass(frozen=True, slots=True)
class ShortCase:
    """A violation with the fewest file calls that still show it. `repeat` is the command that repeats it."""

    calls: tuple[FileCall, ...]
    repeat: str


@dataclass(frozen=True, slots=True)
class Broken:
    """A promise that the store broke. `repeat` is the command that repeats this case alone. `short` is a shorter case,
    found for the first violation of each promise; None for the others, and if none was found."""

    promise: str
    what: str
    cut: str
    repeat: str
    short: ShortCase | None


@dataclass(frozen=True, slots=True)
class InFlight:
    """The operation that the one cut of a report interrupts. `data` is None for an erase; `call` is the number of the
    file call, counted from 0."""

    operation: int
    address: int
    data: bytes | None
    call: int
    file_call: FileCall


@dataclass(frozen=True, slots=True)
class CutReport:
    """The whole report. `states_by_cut` counts states by what was cut and what that left; `in_flight` is there if only
    one cut was made."""

    subject: CutSubject
    in_flight: InFlight | None
    states: int
    states_by_cut: dict[str, int]
    broken: tuple[Broken, ...]
    consequences: Consequences

    @property
    def ended_early(self) -> bool:
        return len(self.broken) >= VIOLATIONS_MAX


Shorten = Callable[[Violation], ShortCase | None]


def cut_report(
    history: History,
    result: CampaignResult,
    *,
    source: str,
    kind: str,
    places: Places,
    profile: str,
    repeat: Callable[[CutPoint], str],
    shorten: Shorten,
) -> CutReport:
    """Put the report together. `repeat` gives the command that repeats a cut; `shorten` is called once for each broken
    promise."""
    subject = subject_of(history, source, kind, places, profile)
    broken, seen = [], set()
    for violation in result.violations:
        short = None if violation.promise in seen else shorten(violation)
        seen.add(violation.promise)
        broken.append(Broken(violation.promise, violation.what, str(violation.cut), repeat(violation.cut), short))
    in_flight = _in_flight(history, CutPoint.parse(places.only)) if places.only else None
    found = consequences(history, result.found)
    return CutReport(subject, in_flight, result.states, dict(result.counts), tuple(broken), found)


def subject_of(history: History, source: str, kind: str, places: Places, profile: str) -> CutSubject:
    erases = sum(operation.data is None for operation in history.operations)
    return CutSubject(
        title=history.title,
        source=source,
        kind=kind,
        file_calls=len(history.calls),
        programs=len(history.operations) - erases,
        erases=erases,
        part=history.datasheet.name,
        block_count=history.block_count,
        block_bytes=history.datasheet.block_bytes,
        settings=settings_of(history.config),
        places=places,
        profile=profile,
        keeps_all=Rules(history.datasheet, history.config, Profile(profile)).keeps_all,
    )


def _in_flight(history: History, cut: CutPoint) -> InFlight:
    operation = history.operations[cut.operation]
    call = history.calls[operation.call]
    return InFlight(cut.operation, operation.address, operation.data, operation.call, call)
