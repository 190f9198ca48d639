"""What a replay hands up: the device that drives a store, and the notes it took.

`Device` performs operations one after the other on one store and keeps the device's time. An operation's cost is the
difference of the medium's own counters, so nothing is counted twice. `Run` is what `simfs.study` reads afterwards.

Deliberately simple: the device does one thing at a time, as a firmware with one loop does. An operation that is due
while the medium is busy starts when that is free again; computing takes no time at all.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from copy import copy
from typing import TypeVar

from simfs.files.contract import AnyStore, Mark, Spent
from simfs.files.store import log_of, the_log
from simfs.flash import NorFlash
from simfs.replay.device.notes import (
    Alike,
    Boot,
    Differing,
    HeldReads,
    NameFault,
    Refusal,
    RefusalLog,
    Skipped,
    Stall,
    StallLog,
    TaskTally,
)
from simfs.replay.device.notes import Run as Run
from simfs.replay.device.observer import BOOT_TASK, IDLE_TASK, Observer, errno_of
from simfs.replay.device.room_history import RoomHistory
from simfs.store.batch.appends import Stretch

T = TypeVar("T")

Readings = tuple[int, Mark, int, int, int]  # the clock, the medium's counters, the store's meters
NAMES_KEPT = 1_000_000


class Device:
    """Drives a store, keeps the device's time and takes the notes that make a `Run`.

    `start_ns` is the device time at the start (`simfs.replay.device.clock`). Use `device.store` afresh for every
    operation: a boot replaces it. Its meters go on counting over boots. `observers` are told of each operation and of
    all that the store tells.
    """

    def __init__(self, store: AnyStore, *, start_ns: int = 0, observers: Iterable[Observer] = ()) -> None:
        self.observers: list[Observer] = []
        self._take(store)
        for observer in observers:
            self.observe(observer)
        self.start_ns = self.now_ns = start_ns
        self.tasks: dict[str, TaskTally] = {}
        self.writes, self.held = StallLog(), HeldReads()
        self.boots: list[Boot] = []
        self.names_used, self.names_kept_max = set[str](), NAMES_KEPT  # of operations that write, the first ones
        self._refusals = RefusalLog()
        self._first, self._first_meters = self._mark(), copy(self._meters)
        self._erase_counts_first = [] if (log := log_of(self.store)) is None else log.flash.erase_counts
        self._live_bytes_max, self._live_bytes_max_at_ns = -1, 0
        self.room = RoomHistory()
        self.busy_with = ("", "")  # the task and the operation that kept the medium busy last
        self.note_room(self.store.live_bytes)

    def perform(
        self,
        task: str,
        operation: str,
        name: str,
        action: Callable[[], T],
        *,
        writes: bool,
        pattern: str = "",
        due_ns: int | None = None,
        raises: bool = False,
    ) -> T | None:
        """Run one operation on the store; note its time on the medium; an `OSError` becomes a `Refusal`, raised or not.

        The clock moves on by the operation's busy and read time. `pattern` stands for the name where refusals are
        grouped. `due_ns` is when the operation should have begun: a read that begins later, because another task's
        operation kept the medium busy, is noted as held up. Cost: about 2 us over that of `action`.
        """
        before = self._begin(task, operation, name, writes, due_ns)
        result, refused = None, None
        try:
            result = action()
        except OSError as error:
            refused = error
        self._end(task, operation, name, before, writes, pattern, refused)
        if raises and refused is not None:
            raise refused
        return result

    @contextmanager
    def operation(
        self, task: str, operation: str, name: str, *, writes: bool, due_ns: int | None = None
    ) -> Iterator[None]:
        """What the `with` block does to the store, as one operation. A refusal is noted, and raised."""
        before = self._begin(task, operation, name, writes, due_ns)
        try:
            yield
        except OSError as error:
            self._end(task, operation, name, before, writes, "", error)
            raise
        self._end(task, operation, name, before, writes, "", None)

    def observe(self, observer: Observer) -> None:
        """Tell the observer of each operation from now on, and of what it wants to be told by the store."""
        self._take(observer.run_begins(self.store))
        self.observers.append(observer)

    def stretch(self, name: str) -> Stretch | None:
        """Where many appends to this file can be done at once, with nothing noted about them but `note_alike`."""
        if name not in self.names_used and len(self.names_used) < self.names_kept_max:
            return None
        log = log_of(self.store)
        return None if log is None or any(of.needs_each for of in self.observers) else log.stretch(name)

    def passes_to(self, at_ns: int) -> bool:
        """Let idle time pass in which a store has nothing to do; False where it may have, or where it is later."""
        if not (self._uses_idle_time and self.now_ns < at_ns):
            self.now_ns = max(self.now_ns, at_ns)
        return self.now_ns == at_ns

    def is_usual(self, programs: int) -> bool:
        """Whether a write of so many programs and nothing else would not stand out."""
        return self.writes.is_usual(programs * self.program_typ_ns, programs * self.program_max_ns)

    @property
    def refusals(self) -> list[Refusal]:
        """What was refused so far."""
        return self._refusals.entries()

    @property
    def flash(self) -> NorFlash:
        """The flash of a store that is on one; else NoLog."""
        return the_log(self.store).flash

    def note_alike(self, task: str, operation: str, done: Alike) -> None:
        """Note writes of a task that were done together, as `perform` does each. They are usual."""
        program_ns, placed, last, start_ns = self.program_typ_ns, done.placed, len(done.starts_ns) - 1, self.start_ns
        tally = self.tasks.get(task) or self._new_tally(task)
        tally.operations[operation] += last + 1
        tally.host_bytes += done.host_bytes
        tally.programs += placed.programs
        tally.program_bytes += placed.program_bytes
        tally.busy_ns += placed.programs * program_ns
        self.busy_with = task, operation
        self.writes.count_usual(program_ns, placed)

        def ended_ns(index: int) -> int:
            return done.starts_ns[index] + placed.programs_of(index) * program_ns - start_ns

        self.room.note_growth(ended_ns, done.live_bytes, self.store.removed_names_bytes)
        live_bytes = done.live_bytes[last]
        if live_bytes > self._live_bytes_max:
            self._live_bytes_max = live_bytes
            self._live_bytes_max_at_ns = ended_ns(bisect_left(done.live_bytes, live_bytes))
        self.now_ns = start_ns + ended_ns(last)

    def note_gathered(self, task: str, lost: int = 0, waiting: int = 0) -> None:
        """Records in the firmware's own RAM that a boot loses, or that wait there when the run ends."""
        tally = self.tasks.get(task) or self._new_tally(task)
        tally.lost_records += lost
        tally.waiting_records += waiting

    def wait_until(self, at_ns: int) -> None:
        """Let the time pass; a store that cleans in idle time gets it. Afterwards it may be later than `at_ns`."""
        idle_ns = at_ns - self.now_ns
        if idle_ns <= 0:
            return
        if self._uses_idle_time:
            before = self._mark()
            self.perform(IDLE_TASK, "clean ahead", "", lambda: self.store.idle(idle_ns), writes=False)
            spent = Spent(*self._since(before))
            if not spent.reads and not spent.erases:
                self.tasks[IDLE_TASK].forget("clean ahead")  # nothing to do is no operation
                if not self.tasks[IDLE_TASK].operations:
                    del self.tasks[IDLE_TASK]
        self.now_ns = max(self.now_ns, at_ns)

    def boot(self) -> None:
        """Start anew as a reset does, and note what the mount cost."""
        before, since = self._mark(), self._since
        for observer in self.observers:
            observer.begins(BOOT_TASK, "boot", "", self.now_ns)
        try:
            self._take(self.store.boot())
        except OSError as error:
            for observer in self.observers:
                observer.ends(BOOT_TASK, "boot", "", self.now_ns, errno_of(error))
            raise
        self.boots.append(boot := self._boot_noted(Spent(*since(before))))
        self.now_ns += boot.time_ns
        for observer in self.observers:
            observer.booted(self.store)
            observer.ends(BOOT_TASK, "boot", "", self.now_ns, 0)

    def finish(
        self,
        *,
        title: str,
        source: str,
        kind: str,
        name_faults: list[NameFault] | None = None,
        skipped: list[Skipped] | None = None,
        differing: list[Differing] | None = None,
        expect: dict[str, object] | None = None,
    ) -> Run:
        """End the run and hand up the notes."""
        return Run(
            title=title, source=source, kind=kind, store=self.store,
            first=self._first, first_meters=self._first_meters, erase_counts_first=self._erase_counts_first,
            start_ns=self.start_ns, duration_ns=self.now_ns - self.start_ns,
            tasks=self.tasks, writes=self.writes, held=self.held, refusals=self.refusals,
            name_faults=name_faults or [], skipped=skipped or [], differing=differing or [],
            boots=[*self.boots, self._boot_noted(self.store.cost_of_boot())],
            live_bytes_max=self._live_bytes_max, live_bytes_max_at_ns=self._live_bytes_max_at_ns, expect=expect or {},
            room=self.room,
        )  # fmt: skip

    def _take(self, store: AnyStore) -> None:
        """Drive this store from now on. What every operation looks at is looked up once."""
        self.store = store
        self._meters = store.meters
        self._mark, self._since = store.medium.mark, store.medium.since
        self._uses_idle_time = store.uses_idle_time
        log = log_of(store)
        sheet = None if log is None else log.flash.datasheet
        self.program_typ_ns = 0 if sheet is None else sheet.program_typ_ns  # of a page; 0 where it is not on flash
        self.program_max_ns = 0 if sheet is None else sheet.program_max_ns

    def readings(self) -> Readings:
        """The clock and the counters that an operation may move."""
        meters = self._meters
        return self.now_ns, self._mark(), meters.host_bytes, meters.cleanings, meters.relocated_bytes

    def _begin(self, task: str, operation: str, name: str, writes: bool, due_ns: int | None) -> Readings:
        if task not in self.tasks:
            self._new_tally(task)
        if due_ns is not None and due_ns < self.now_ns and not writes and self.busy_with[0] != task:
            self.held.note(self.now_ns - due_ns, ": ".join(self.busy_with))
        for observer in self.observers:
            observer.begins(task, operation, name, self.now_ns)
        meters = self._meters  # as `readings`, without the call
        return self.now_ns, self._mark(), meters.host_bytes, meters.cleanings, meters.relocated_bytes

    def _end(
        self, task: str, operation: str, name: str, before: Readings, writes: bool, pattern: str, error: OSError | None
    ) -> None:
        """Note what an operation took, and move the clock on by it."""
        tally = self.tasks[task]
        if error is not None:
            tally.refused += 1
            self._refusals.note(task, operation, pattern or name, error, self.now_ns - self.start_ns)
        began_ns, mark, host_bytes, cleanings, relocated_bytes = before
        _, read_bytes, programs, program_bytes, erases, busy_ns, busy_max_ns, read_ns = self._since(mark)
        meters = self._meters
        tally.operations[operation] += 1
        tally.host_bytes += meters.host_bytes - host_bytes
        tally.read_bytes += read_bytes
        tally.programs += programs
        tally.program_bytes += program_bytes
        tally.erases += erases
        tally.busy_ns += busy_ns
        if writes:
            if name not in self.names_used and len(self.names_used) < self.names_kept_max:
                self.names_used.add(name)
            cleanings = meters.cleanings - cleanings
            if self.writes.stands_out(busy_ns, busy_max_ns, cleanings):
                at_ns, moved_bytes = began_ns - self.start_ns, meters.relocated_bytes - relocated_bytes
                took = (busy_ns, busy_max_ns, programs, erases, cleanings, moved_bytes)
                self.writes.keep(Stall(at_ns, task, operation, name, *took))
        self.now_ns = began_ns + busy_ns + read_ns
        if programs or erases:
            self.busy_with = task, operation
            self.note_room(self.store.live_bytes)
        if self.observers:
            refused = errno_of(error)
            for observer in self.observers:
                observer.ends(task, operation, name, self.now_ns, refused)

    def _boot_noted(self, spent: Spent) -> Boot:
        at_ns, time_ns = self.now_ns - self.start_ns, spent.busy_ns + spent.read_ns
        return Boot(at_ns, spent.reads, spent.read_bytes, spent.programs, spent.erases, time_ns)

    def _new_tally(self, task: str) -> TaskTally:
        return self.tasks.setdefault(task, TaskTally(task))

    def note_room(self, live_bytes: int) -> None:
        """So much is in use from now on."""
        self.room.note(self.now_ns - self.start_ns, live_bytes - self.store.removed_names_bytes)
        if live_bytes > self._live_bytes_max:
            self._live_bytes_max, self._live_bytes_max_at_ns = live_bytes, self.now_ns - self.start_ns
