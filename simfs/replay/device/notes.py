"""The notes of a run, one record for each sort: stalls, what tasks did, what was refused, what a boot cost.

Times are device time, in ns since the run's start.
"""

from __future__ import annotations

import errno
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from typing import NamedTuple, Protocol

from simfs.files.contract import AnyStore, Mark, Meters
from simfs.files.store import the_log
from simfs.flash import NorFlash
from simfs.replay.device.battery import Battery
from simfs.replay.device.rewritten import Rewritten
from simfs.replay.device.room_history import RoomHistory
from simfs.shown import Shown
from simfs.store.batch.appends import LiveBytes
from simfs.store.format.layout import Placed

REFUSAL_GROUPS_MAX = 1000
OTHER_NAMES = "(other names)"


@dataclass(frozen=True, slots=True)
class Stall:
    """One operation's time in the flash."""

    at_ns: int  # device time when it began, since the run's start
    task: str
    operation: str
    name: str
    busy_ns: int  # program and erase at typical times, nothing else
    busy_max_ns: int  # the same operations at the datasheet's maximum times
    programs: int
    erases: int
    cleanings: int
    relocated_bytes: int


@dataclass(slots=True)
class StallLog:
    """The stalls of one class of operations."""

    count: int = 0
    total_ns: int = 0
    longest: Stall | None = None
    longest_at_max: Stall | None = None
    most_cleanings: Stall | None = None  # None while nothing was cleaned
    histogram: Counter[int] = field(default_factory=Counter)  # busy_ns -> how often

    def percentile_ns(self, per_mille: int) -> int:
        """The smallest busy time that at least `per_mille` of 1000 operations do not exceed; 0 without operations."""
        if not 0 <= per_mille <= 1000:
            raise ValueError(f"per_mille is {per_mille}; give 0 to 1000")
        rank = max(1, -(-self.count * per_mille // 1000))
        seen = 0
        for busy_ns in sorted(self.histogram):
            seen += self.histogram[busy_ns]
            if seen >= rank:
                return busy_ns
        return 0

    def stands_out(self, busy_ns: int, busy_max_ns: int, cleanings: int) -> bool:
        """Count one operation's time. Returns whether its `Stall` is one to `keep`."""
        self.count += 1
        self.total_ns += busy_ns
        self.histogram[busy_ns] += 1
        return (
            self.longest is None
            or self.longest_at_max is None
            or busy_ns > self.longest.busy_ns
            or busy_max_ns > self.longest_at_max.busy_max_ns
            or cleanings > (self.most_cleanings.cleanings if self.most_cleanings else 0)
        )

    def is_usual(self, busy_ns: int, busy_max_ns: int) -> bool:
        """Whether an operation that cleans nothing would not stand out."""
        longest, at_max = self.longest, self.longest_at_max
        return (
            longest is not None
            and at_max is not None
            and busy_ns <= longest.busy_ns
            and busy_max_ns <= at_max.busy_max_ns
        )

    def count_usual(self, program_ns: int, placed: Placed) -> None:
        """Count writes that do not stand out, by the programs of their frames."""
        self.count += placed.frame_count
        self.total_ns += placed.programs * program_ns
        for programs, count in placed.alike:
            self.histogram[programs * program_ns] += count

    def keep(self, stall: Stall) -> None:
        """Keep a stall if it is the longest of its kind."""
        if self.longest is None or stall.busy_ns > self.longest.busy_ns:
            self.longest = stall
        if self.longest_at_max is None or stall.busy_max_ns > self.longest_at_max.busy_max_ns:
            self.longest_at_max = stall
        if stall.cleanings > (self.most_cleanings.cleanings if self.most_cleanings else 0):
            self.most_cleanings = stall


class Alike(NamedTuple):
    """Writes that were done together. Each starts after the end of the one before."""

    starts_ns: Sequence[int]
    placed: Placed  # their frames
    host_bytes: int
    live_bytes: LiveBytes


@dataclass(slots=True)
class TaskTally:
    """What one task did, and what the flash did for it."""

    name: str
    operations: Counter[str] = field(default_factory=Counter)
    refused: int = 0
    host_bytes: int = 0
    read_bytes: int = 0
    programs: int = 0
    program_bytes: int = 0
    erases: int = 0
    busy_ns: int = 0
    lost_records: int = 0  # that waited in the firmware's own RAM at a boot
    waiting_records: int = 0  # that wait there when the run ends

    def forget(self, operation: str) -> None:
        """It was none."""
        self.operations[operation] -= 1
        if not self.operations[operation]:
            del self.operations[operation]

    def add(self, before: TaskTally, times: int) -> None:
        """What came since `before` so many times more."""
        for operation, count in self.operations.items():
            self.operations[operation] += times * (count - before.operations[operation])
        for name in _COUNTED:
            setattr(self, name, getattr(self, name) + times * (getattr(self, name) - getattr(before, name)))


_COUNTED = [field.name for field in fields(TaskTally) if field.name not in ("name", "operations")]


@dataclass(slots=True)
class Refusal:
    """Operations the store refused, one entry for each task, operation, name (or name pattern) and error."""

    task: str
    operation: str
    name: str
    error: str  # errno's name, such as "ENOSPC"
    count: int
    first_at_ns: int


class RefusalLog:
    """All refusals of a run. Beyond REFUSAL_GROUPS_MAX entries names are not told apart any more."""

    def __init__(self) -> None:
        self._groups: dict[tuple[str, str, str, str], Refusal] = {}

    def note(self, task: str, operation: str, name: str, error: OSError, at_ns: int) -> None:
        """One more, `at_ns` after the run's start."""
        code = errno.errorcode.get(error.errno or 0, str(error.errno))
        if len(self._groups) >= REFUSAL_GROUPS_MAX and (task, operation, name, code) not in self._groups:
            name = OTHER_NAMES
        key = (task, operation, name, code)
        refusal = self._groups.get(key)
        if refusal is None:
            refusal = self._groups[key] = Refusal(*key, 0, at_ns)
        refusal.count += 1

    def entries(self) -> list[Refusal]:
        """In the order of the first of each."""
        return list(self._groups.values())


@dataclass(frozen=True, slots=True)
class NameFault:
    """A name that the store can't keep as the scenario means it; or one that it keeps, if not as some other store would
    (`breaks` is false)."""

    name: str
    why: str
    what_happens: str
    breaks: bool = True


@dataclass(frozen=True, slots=True)
class Boot:
    """What a mount cost."""

    at_ns: int
    reads: int
    read_bytes: int
    programs: int
    erases: int
    time_ns: int  # read, program and erase at typical times


@dataclass(frozen=True, slots=True)
class Skipped:
    """Something in a recording that could not be replayed."""

    line: int
    what: str
    count: int


class Differing(NamedTuple):
    """A file that may not be, at the end, what the recorded program left on the host."""

    line: int  # of the recording, from which on it may differ
    name: str
    why: str


@dataclass(slots=True)
class HeldReads:
    """Reads that were due while the flash was busy with another task's operation."""

    count: int = 0
    total_ns: int = 0
    longest_ns: int = 0
    behind: str = ""  # the task and operation behind which the longest one waited

    def note(self, waited_ns: int, behind: str) -> None:
        """One more."""
        self.count += 1
        self.total_ns += waited_ns
        if waited_ns > self.longest_ns:
            self.longest_ns, self.behind = waited_ns, behind


class Going(Protocol):
    """A device on its way, as far as one asks whether it has gone far enough."""

    start_ns: int
    now_ns: int
    tasks: dict[str, TaskTally]
    room: RoomHistory

    @property
    def refusals(self) -> list[Refusal]: ...


GoOn = Callable[[Callable[[Going], bool]], "Run"]
"""Plays the same once more from its beginning and beyond its end, until it is enough, and gives that run. It asks each
time when the run has become longer by an eighth."""


@dataclass(slots=True)
class Run(Shown):
    """Everything a replay noted. Times are ns since the run's start.

    The last entry of `boots` is a mount of the medium as it stands at the end. It is made on a copy: the medium's own
    counters do not have it.
    """

    title: str
    source: str
    kind: str  # "scenario", "recording" or "script"
    store: AnyStore
    first: Mark  # the medium's counters when the run began, after format and first mount
    first_meters: Meters  # the store's, then: whoever made the store may have written to it
    erase_counts_first: list[int]  # the flash's, then; empty where there is no flash
    start_ns: int  # what the device's clock showed at the start
    duration_ns: int
    tasks: dict[str, TaskTally]
    writes: StallLog
    held: HeldReads
    refusals: list[Refusal]
    name_faults: list[NameFault]
    boots: list[Boot]
    skipped: list[Skipped]
    differing: list[Differing]
    live_bytes_max: int
    live_bytes_max_at_ns: int
    expect: dict[str, object]
    room: RoomHistory = field(default_factory=RoomHistory)
    asked_ns: int = 0  # how long the run was meant to last; 0 where nobody said
    region_start_bytes: int = 0  # where the store begins in the chip
    rewritten: tuple[Rewritten, ...] = ()  # what else of the chip wears
    battery: Battery | None = None  # what the device runs from, where somebody said
    go_on: GoOn | None = None  # None where there is nothing to carry on
    period_ns: int = 0  # what comes again comes within this time; 0 where nobody knows
    sides: tuple[Run, Run] | None = None  # the run as flash and card had it, where a device has both
    telling_ns: int = 0  # how long a run has to be to show whether the files go on growing; 0 where nobody knows

    @property
    def flash(self) -> NorFlash:
        """The flash of a store that is on one; else NoLog."""
        return the_log(self.store).flash
