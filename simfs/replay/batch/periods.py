"""Periods of a played scenario: when everything is as it was some days ago except for the dates, the device goes on as
it has gone on since, and many such periods can be skipped at once.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Generic, NamedTuple, TypeVar

from simfs.files.store import the_log
from simfs.replay.batch.dated_names import DatedNames
from simfs.replay.device.clock import NS_PER_DAY, date_of
from simfs.replay.player.player import Player
from simfs.replay.scenario.tables import Scenario
from simfs.store.batch.fingerprint import outline, rename_all, structure
from simfs.store.volume import Volume

TRIES_A_PACE = 4  # comparisons that fail before there are only half as many
MARKS_KEPT, MARKS_APART = 3, 4  # each mark is so many times as far from the next one as from the one before

Noted = TypeVar("Noted")


class Kept(NamedTuple, Generic[Noted]):
    """A midnight to which others are compared."""

    day: int
    structure: Hashable
    runs: tuple[int, ...]
    boots: int
    noted: Noted  # what the caller noted then


class Passed(NamedTuple, Generic[Noted]):
    """What happens in one period: its days, each task's runs, and boots; and what was noted when it began."""

    days: int
    runs: tuple[int, ...]
    boots: int
    noted: Noted


class PeriodFinder(Generic[Noted]):
    """Looks at a player at each midnight and finds that it repeats itself.

    An outline of the store that was there before says how long the period may be; then all of its structure is kept,
    and compared when so much time has passed. That takes two periods. A long one is mostly found after its first: the
    structure is kept at a few marks as well, further and further apart, in case that one of them comes again.
    """

    def __init__(self, player: Player, scenario: Scenario, note: Callable[[], Noted]) -> None:
        self._player, self._names, self._note = player, DatedNames(scenario), note
        self._seen: dict[int, int] = {}  # by the hash of an outline: the last day that had it
        self._tried: Kept[Noted] | None = None
        self._days = 0  # of the period that is tried
        self._failed, self._rests_until = 0, 0
        self._marks: dict[int, Kept[Noted]] = {}  # by the hash of the outline
        self._first_day = player.device.start_ns // NS_PER_DAY
        self._gap_first = self._gap = self._next_mark = 0  # in days; a day
        self._year_digits = 0

    @property
    def _volume(self) -> Volume:
        return the_log(self._player.device.store).volume

    def look(self, today: int) -> Passed[Noted] | None:
        """What the period that ends this midnight held, if it is one."""
        year_digits = len(str(date_of(today)[0]))
        if year_digits != self._year_digits:  # dates become longer: nothing that was before comes again
            self._year_digits = year_digits
            self._begin_anew(today + self._gap_first)
        here = hash((outline(self._volume), self._phase(today)))
        before = self._seen.get(here)
        self._seen[here] = today
        return self._look_at_marks(here, today) or self._look_further(before, today)

    def _look_further(self, before: int | None, today: int) -> Passed[Noted] | None:
        """The period that is tried; one is tried next if the outline was there before."""
        if self._tried is None and before is not None and today >= self._rests_until:
            self._tried, self._days = self._keep(today), today - before
        elif self._tried is not None and today == self._tried.day + self._days:
            tried, self._tried = self._tried, None
            if self._structure(today) == tried.structure:
                return self._since(tried, today)
            self._failed += 1
            self._rests_until = today + (1 << self._failed // TRIES_A_PACE)
        return None

    def _look_at_marks(self, here: int, today: int) -> Passed[Noted] | None:
        mark = self._marks.pop(here, None)
        if mark is not None and self._structure(today) == mark.structure:
            return self._since(mark, today)
        if today >= self._next_mark and not self._volume.state.blocks.unused_count:  # before, no state comes again
            self._gap_first = self._gap_first or today - self._first_day
            self._gap = self._gap * MARKS_APART or self._gap_first
            self._next_mark = today + self._gap
            kept = self._keep(today)
            if kept is not None:
                self._marks[here] = kept
            if len(self._marks) > MARKS_KEPT:
                del self._marks[next(iter(self._marks))]
        return None

    def _keep(self, today: int) -> Kept[Noted] | None:
        found = self._structure(today)
        return None if found is None else Kept(today, found, *self._player.runs(), self._note())

    def _since(self, kept: Kept[Noted], today: int) -> Passed[Noted]:
        runs, boots = self._player.runs()
        passed = tuple(now - then for now, then in zip(runs, kept.runs, strict=True))
        return Passed(today - kept.day, passed, boots - kept.boots, kept.noted)

    def _phase(self, today: int) -> Hashable:
        return self._player.phase(today * NS_PER_DAY, lambda name: self._names.relative(name.encode(), today))

    def _structure(self, today: int) -> Hashable | None:
        found = structure(self._volume, lambda name: self._names.relative(name, today))
        return None if found is None else (found, self._phase(today))

    def longest(self, passed: Passed[Noted], count: int) -> int:
        """How many of `count` periods leave every name and every text as long as they are."""
        least = 0
        while least < count:
            middle = (least + count + 1) // 2
            least, count = (middle, count) if self._keeps_lengths(passed, middle) else (least, middle - 1)
        return least

    def _keeps_lengths(self, passed: Passed[Noted], count: int) -> bool:
        names = self._volume.state.claims.bearers
        days = count * passed.days
        return all(len(self._names.moved(name, days)) == len(name) for name in names) and self._player.keeps_lengths(
            days * NS_PER_DAY, [count * runs for runs in passed.runs], count * passed.boots
        )

    def skip(self, passed: Passed[Noted], count: int) -> None:
        """Skip so many periods."""
        days = count * passed.days

        def moved(name: str) -> str:
            return self._names.moved(name.encode(), days).decode()

        rename_all(self._volume, lambda name: self._names.moved(name, days))
        self._player.move(days * NS_PER_DAY, [count * runs for runs in passed.runs], count * passed.boots, moved)
        self._begin_anew(0)

    def _begin_anew(self, next_mark: int) -> None:
        """Nothing that was before is looked for any more."""
        self._seen.clear()
        self._marks.clear()
        self._tried, self._gap, self._next_mark = None, 0, next_mark
