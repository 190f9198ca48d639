"""A scenario carried on to the end of its device's life: until a block reaches its limit, or the store is full.

The scenario's own duration does not count: its tasks go on. `simfs.replay.batch` says what is skipped, and why the
outcome is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from copy import deepcopy
from dataclasses import dataclass, replace

from simfs.files.store import Store, the_log
from simfs.replay.batch.dated_names import obstacle
from simfs.replay.batch.periods import Passed, PeriodFinder
from simfs.replay.batch.player import FastPlayer
from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR, format_moment, moment
from simfs.replay.device.device import Device
from simfs.replay.device.notes import Refusal, TaskTally
from simfs.replay.play import make_store
from simfs.replay.player.player import Player
from simfs.replay.scenario.crosschecks import region_blocks
from simfs.replay.scenario.tables import Scenario
from simfs.store.tables.blocks import State
from simfs.study.life.wear_ledger import LifeEnded, LifeObserver, Wear

UNTIL = ("rated", "limit", "full")
CLEAR_LEAD = 20  # erases of a block
MAX_NS = 1_000_000 * NS_PER_YEAR
TURNS_PROJECTED = 24  # erases of each block on average before a projection, half of which give the pace

Noted = tuple[dict[str, list[int]], dict[str, TaskTally]]
"""Erases and tallies when a period began."""

Progress = Callable[[int, int], None]
"""Called with erases so far, and with those that it takes."""


@dataclass(frozen=True, slots=True)
class EndOfLife:
    """When a life ended, by which block, and which task wore it. Counts are since the run's start.

    until         which end was asked for: "rated" cycles of a block, its true "limit", or a "full" store
    end           which end came: one of these, or "never" if no block ever gets there
    exact         False if it is projected from the pace of a shorter run
    at_ns         since the run's start: when the operation began that ended it; None: never
    clock         the device's clock then
    cycles        erases of the block then, since new; `limit_cycles` what it reached
    task          the task in whose operations that block was erased most
    simulated_ns  device time that was carried out; `skipped_ns` the time that was not, because its counts were known
    refused       operations that the store refused until then; `first_refused` says when and which, None: none was
    why_never     of an end that is "never": "idle" if nothing wears any more; "full" if that is because the store
                  refuses what is written, for the first time at `full_ns` since the run's start; "late" if it was
                  given up
    """

    until: str
    end: str
    exact: bool
    at_ns: int | None
    clock: str
    past_year_9999: bool
    block: int | None
    cycles: int
    limit_cycles: int | None
    task: str
    block_erases_by_task: dict[str, int]
    erases_by_task: dict[str, int]
    operation: str
    name: str
    erase_counts: tuple[int, ...]
    operations: int
    host_bytes: int
    programs: int
    program_bytes: int
    erases: int
    simulated_ns: int
    skipped_ns: int
    skipped_periods: int
    period_ns: int
    refused: int
    first_refused: Refusal | None
    why_never: str = ""
    full_ns: int | None = None


def end_of_life(
    scenario: Scenario,
    *,
    until: str = "rated",
    limits: Sequence[int] | None = None,
    project: bool = False,
    max_ns: int | None = None,
    plain: bool = False,
    progress: Progress | None = None,
) -> EndOfLife:
    """The end of the life of a scenario's device.

    `limits` are the true limits of the blocks in cycles, for `until` "limit". A "full" store is one that refuses a
    write with ENOSPC; that search ends at the rated cycles too, since nobody knows what a block does beyond them.
    `project` carries on only until the pace of wear is known. `max_ns` is when to give up. `plain` carries out each
    operation by itself. ValueError: another `until`, or not one limit for each block.
    """
    block_count = region_blocks(scenario.chip, scenario.store)
    if until not in UNTIL:
        raise ValueError(f"until is {until!r}; it must be one of {', '.join(UNTIL)}")
    if (until == "limit") != (limits is not None) or (limits is not None and len(limits) != block_count):
        raise ValueError(f"limits are for until='limit', one for each of {block_count} blocks")
    rated = scenario.chip.datasheet().rated_cycles
    limits = tuple(limits) if limits is not None else (rated,) * block_count
    store = the_log(make_store(scenario))
    life = _Life(scenario, store, until, limits, progress)
    life.erases_max = TURNS_PROJECTED * block_count if project else 0
    life.go_on(MAX_NS if max_ns is None else max_ns, plain)
    return life.projected() if project and life.observer.ended is None else life.told()


class _SkippingPlayer(FastPlayer):
    """A player that skips the periods that it finds."""

    def __init__(self, scenario: Scenario, device: Device, life: _Life) -> None:
        super().__init__(scenario, device)
        self._life, self._finder = life, PeriodFinder(self, scenario, life.note)
        if not obstacle(scenario) and not life.erases_max:
            self.pause_ns = device.start_ns - device.start_ns % NS_PER_DAY + NS_PER_DAY

    def pause(self) -> None:
        """At midnight."""
        today = self.pause_ns // NS_PER_DAY
        passed = self._finder.look(today)
        if passed is not None:
            self._life.take_periods(self._finder, passed, self.end_ns)
        self.pause_ns += NS_PER_DAY


class _Life:
    """A device on its way to its end."""

    def __init__(
        self, scenario: Scenario, store: Store, until: str, limits: tuple[int, ...], progress: Progress | None
    ) -> None:
        self._scenario, self._until, self._progress = scenario, until, progress
        self.wear = Wear(limits, store.flash.erase_counts)
        self.device = Device(store, start_ns=scenario.run.start)
        self.observer = LifeObserver(self.wear, until == "full", self._turn)
        self.observer.follow(self.device)
        self.erases_max = 0  # after which the pace of wear is known; 0: no matter
        self.skipped_ns = self.skipped_periods = self.period_ns = 0
        self.why_never = "late"
        self._half: tuple[int, list[int]] = (0, [0] * len(limits))  # time and erases at half of that

    def go_on(self, max_ns: int, plain: bool) -> None:
        """Until the end, or as far as was asked."""
        run = self._scenario.run.model_copy(update={"duration": max_ns})
        scenario = self._scenario.model_copy(update={"run": run})
        player = Player(scenario, self.device) if plain else _SkippingPlayer(scenario, self.device, self)
        with suppress(LifeEnded):
            player.play(None)

    def note(self) -> Noted:
        """A period may begin here."""
        return self.wear.copy(), deepcopy(self.device.tasks)

    def take_periods(self, finder: PeriodFinder[Noted], passed: Passed[Noted], end_ns: int) -> None:
        """Skip periods like the one that passed: as many as end before a block is at its limit and before `end_ns`."""
        wear, tallies = passed.noted
        period_ns = passed.days * NS_PER_DAY
        worn = self.wear.periods_left(wear)
        if worn is None:  # nothing wears
            self.why_never = "idle"
            self.observer.stick()
        count = finder.longest(passed, min(worn, (end_ns - self.device.now_ns) // period_ns))
        if count <= 0:
            return
        self.wear.add(wear, count)
        for task, tally in self.device.tasks.items():
            tally.add(tallies.get(task) or TaskTally(task), count)
        finder.skip(passed, count)
        self.skipped_ns += count * period_ns
        self.skipped_periods += count
        self.period_ns = period_ns
        self.observer.next_turn = 0

    def _turn(self) -> int:
        """Called now and then: reports the progress, notes the pace, stops when it is known."""
        counts, erases = self.wear.counts, self.wear.erases
        if self._progress:
            self._progress(*self._how_far(counts, erases))
        if self.erases_max and 2 * erases >= self.erases_max and not self._half[0]:
            self._half = (self.device.now_ns, counts)
        if self.erases_max and erases >= self.erases_max:
            raise LifeEnded
        return erases + len(counts)

    def _how_far(self, counts: list[int], erases: int) -> tuple[int, int]:
        """Erases so far, and those that it takes: of all blocks alike, until one is clearly ahead of the others."""
        if self.erases_max:
            return erases, self.erases_max
        ahead = max(counts) * len(counts)
        return ahead if max(counts) >= CLEAR_LEAD else sum(counts), min(self.wear.limits) * len(counts)

    def told(self) -> EndOfLife:
        """The end that came."""
        ended, limits = self.observer.ended, self.wear.limits
        if ended is None:
            return self._made("never", None, None, self.wear.counts)
        if ended.end == "stuck":
            made, full_ns = self._made("never", None, None, self.wear.counts), ended.at_ns - self.device.start_ns
            return replace(made, why_never="full", full_ns=full_ns, operation=ended.operation, name=ended.name)
        end = ("limit" if self._until == "limit" else "rated") if ended.end == "worn" else "full"
        limit = limits[ended.block] if ended.end == "worn" else None
        at_ns = ended.at_ns - self.device.start_ns
        made = self._made(end, ended.block, at_ns, self.wear.counts)
        return replace(made, limit_cycles=limit, operation=ended.operation, name=ended.name)

    def projected(self) -> EndOfLife:
        """The end that comes first if wear goes on as it has since half of the erases. If it is levelled, every block
        wears at the mean pace, so the most worn one stays as far ahead; otherwise each at its own. Levelling takes no
        block that is open or waits for its erase: such a block without an erase so far rests for good."""
        counts, limits = self.wear.counts, self.wear.limits
        since_ns, before = self._half
        span_ns, store = self.device.now_ns - since_ns, the_log(self.device.store)
        paces, whole = [now - then for now, then in zip(counts, before, strict=True)], 1
        if store.config.level_threshold:
            states = zip(paces, store.volume.state.blocks.state, strict=True)
            wears = [pace > 0 or state in (State.UNUSED, State.READY, State.CLOSED) for pace, state in states]
            paces, whole = [sum(paces) * each for each in wears], sum(wears)
        left = [
            ((limit - count) * span_ns * whole // pace, block)
            for block, (limit, count, pace) in enumerate(zip(limits, counts, paces, strict=True))
            if pace
        ]
        if not left or not since_ns:
            return replace(self.told(), exact=False)
        left_ns, block = min(left)
        at_ns = self.device.now_ns + left_ns - self.device.start_ns
        made = self._made("limit" if self._until == "limit" else "rated", block, at_ns, counts)
        return replace(made, exact=False, cycles=limits[block], limit_cycles=limits[block])

    def _made(self, end: str, block: int | None, at_ns: int | None, counts: list[int]) -> EndOfLife:
        device, tallies, by_task = self.device, self.device.tasks.values(), self.wear.by_task
        of_block = {} if block is None else {task: of[block] for task, of in by_task.items() if of[block]}
        clock_ns = device.now_ns if at_ns is None else device.start_ns + at_ns
        return EndOfLife(
            until=self._until, end=end, exact=True, at_ns=at_ns, clock=format_moment(clock_ns),
            past_year_9999=clock_ns >= moment(10_000), block=block,
            cycles=0 if block is None else counts[block], limit_cycles=None,
            task=max(of_block, key=of_block.__getitem__, default=""), block_erases_by_task=of_block,
            erases_by_task={task: sum(of) for task, of in by_task.items() if any(of)}, operation="", name="",
            erase_counts=tuple(counts),
            operations=sum(tally.operations.total() for tally in tallies),
            host_bytes=sum(tally.host_bytes for tally in tallies),
            programs=sum(tally.programs for tally in tallies),
            program_bytes=sum(tally.program_bytes for tally in tallies),
            erases=self.wear.erases, simulated_ns=device.now_ns - device.start_ns - self.skipped_ns,
            skipped_ns=self.skipped_ns, skipped_periods=self.skipped_periods, period_ns=self.period_ns,
            refused=sum(tally.refused for tally in tallies),
            first_refused=min(device.refusals, key=lambda refusal: refusal.first_at_ns, default=None),
            why_never=self.why_never if end == "never" else "",
        )  # fmt: skip
