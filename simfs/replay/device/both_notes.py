"""Notes on a run whose files are on flash and card: the same as of any run, for each of the two by itself."""

from __future__ import annotations

from copy import copy
from dataclasses import replace

from simfs.files.both.pair import Pair, both_of
from simfs.files.contract import AnyStore, Mark, Spent
from simfs.replay.device.notes import Boot, HeldReads, Refusal, Run, Stall, StallLog, TaskTally
from simfs.replay.device.observer import BOOT_TASK, Observer
from simfs.replay.device.room_history import RoomHistory

TO_CARD_TASK = "(to the card)"


class _Side:
    """What one of the two did."""

    def __init__(self, store: AnyStore, erase_counts: list[int]) -> None:
        self.first, self.first_meters = store.medium.mark(), copy(store.meters)
        self.erase_counts_first = erase_counts
        self.tasks: dict[str, TaskTally] = {}
        self.writes, self.room = StallLog(), RoomHistory()
        self.boots: list[Boot] = []
        self.live_bytes_max, self.live_bytes_max_at_ns = store.live_bytes, 0
        self.begin(store)

    def begin(self, store: AnyStore) -> None:
        """An operation begins."""
        self._mark: Mark = store.medium.mark()
        meters = store.meters
        self._metered = meters.host_bytes, meters.cleanings, meters.relocated_bytes

    def end(self, store: AnyStore, task: str, operation: str, name: str, at_ns: int, began_ns: int) -> None:
        """It is done. Times are since the run's start."""
        spent, meters = Spent(*store.medium.since(self._mark)), store.meters
        host_bytes, cleanings, relocated_bytes = self._metered
        if task == BOOT_TASK:
            time_ns = spent.busy_ns + spent.read_ns
            self.boots.append(Boot(began_ns, spent.reads, spent.read_bytes, spent.programs, spent.erases, time_ns))
            return
        if not spent.reads and not spent.programs and not spent.erases:
            return
        tally = self.tasks.setdefault(task, TaskTally(task))
        tally.operations[operation] += 1
        tally.host_bytes += meters.host_bytes - host_bytes
        tally.read_bytes += spent.read_bytes
        tally.programs += spent.programs
        tally.program_bytes += spent.program_bytes
        tally.erases += spent.erases
        tally.busy_ns += spent.busy_ns
        if not spent.programs and not spent.erases:
            return
        self._note_room(store.live_bytes, store.removed_names_bytes, at_ns)
        if self.writes.stands_out(spent.busy_ns, spent.busy_max_ns, meters.cleanings - cleanings):
            took = (spent.busy_ns, spent.busy_max_ns, spent.programs, spent.erases)
            moved = (meters.cleanings - cleanings, meters.relocated_bytes - relocated_bytes)
            self.writes.keep(Stall(began_ns, task, operation, name, *took, *moved))

    def _note_room(self, live_bytes: int, removed_names_bytes: int, at_ns: int) -> None:
        self.room.note(at_ns, live_bytes - removed_names_bytes)
        if live_bytes > self.live_bytes_max:
            self.live_bytes_max, self.live_bytes_max_at_ns = live_bytes, at_ns


class BothNotes(Observer):
    """Tells a store on flash and card the time, and notes what each of the two does."""

    def __init__(self) -> None:
        self._start_ns = self._began_ns = -1

    def run_begins(self, store: AnyStore) -> AnyStore:
        """The store must be on both."""
        pair = both_of(store)
        if pair is None:
            raise ValueError("the store is not on flash and card")
        pair.follower = self._follow
        self._follow(pair)
        self._flash = _Side(pair.flash, pair.flash.flash.erase_counts)
        self._card = _Side(pair.card, [])
        return store

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        if self._start_ns < 0:
            self._start_ns = at_ns
        self._began_ns = at_ns
        self._flash.begin(self._pair.flash)
        self._card.begin(self._pair.card)
        self._pair.begin(at_ns)

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        since = (at_ns - self._start_ns, self._began_ns - self._start_ns)
        self._flash.end(self._pair.flash, task, operation, name, *since)
        self._card.end(self._pair.card, task, operation, name, *since)

    def runs(self, run: Run) -> tuple[Run, Run]:
        """The run as the flash had it, and as the card had it. What the store refused is the flash's."""
        full_ns = self._pair.readings.card_full_ns
        full = [] if full_ns is None else [Refusal(TO_CARD_TASK, "", "", "ENOSPC", 1, full_ns - run.start_ns)]
        return _run_of(run, self._flash, self._pair.flash, run.refusals), _run_of(
            run, self._card, self._pair.card, full
        )

    def _follow(self, pair: Pair) -> None:
        self._pair = pair


def _run_of(run: Run, side: _Side, store: AnyStore, refusals: list[Refusal]) -> Run:
    spent = store.cost_of_boot()
    last = Boot(
        run.duration_ns, spent.reads, spent.read_bytes, spent.programs, spent.erases, spent.busy_ns + spent.read_ns
    )
    return replace(
        run, store=store, first=side.first, first_meters=side.first_meters, erase_counts_first=side.erase_counts_first,
        tasks=side.tasks, writes=side.writes, held=HeldReads(), refusals=refusals, name_faults=[],
        boots=[*side.boots, last], live_bytes_max=side.live_bytes_max, live_bytes_max_at_ns=side.live_bytes_max_at_ns,
        expect={}, room=side.room, go_on=None, sides=None, battery=None,
    )  # fmt: skip
