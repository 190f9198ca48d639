"""Periods of a played scenario: when everything is as it was some days ago except for the dates, the device goes on as
it has gone on since, and many such periods can be skipped at once.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import NamedTuple

from simfs.files.store import the_log
from simfs.replay.batch.dated_names import DatedNames
from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.player.player import Player
from simfs.replay.scenario.tables import Scenario
from simfs.store.batch.fingerprint import outline, rename_all, structure
from simfs.store.volume import Volume

TRIES_A_PACE = 4  # comparisons that fail before there are only half as many


class Passed(NamedTuple):
    """What happens in one period: its days, each task's runs, and boots."""

    days: int
    runs: tuple[int, ...]
    boots: int


class PeriodFinder:
    """Looks at a player at each midnight and finds that it repeats itself.

    An outline of the store that was there before says how long the period may be; then all of its structure is kept,
    and compared when so much time has passed.
    """

    def __init__(self, player: Player, scenario: Scenario) -> None:
        self._player, self._names = player, DatedNames(scenario)
        self._seen: dict[int, int] = {}  # by the hash of an outline: the last day that had it
        self._kept: Hashable | None = None
        self._kept_runs: tuple[tuple[int, ...], int] = ((), 0)
        self.began = 0  # the day on which the structure was kept
        self._days = 0  # of the period that is looked for
        self._failed, self._rests_until = 0, 0

    @property
    def _volume(self) -> Volume:
        return the_log(self._player.device.store).volume

    def look(self, today: int) -> Passed | None:
        """What the period that ends this midnight held, if it is one. It began on the day `began`."""
        here = hash((outline(self._volume), self._phase(today)))
        before = self._seen.get(here)
        self._seen[here] = today
        if self._kept is None and before is not None and today >= self._rests_until:
            self._kept = self._structure(today)
            self._kept_runs = self._player.runs()
            self.began, self._days = today, today - before
        elif self._kept is not None and today == self.began + self._days:
            same = self._structure(today) == self._kept
            self._kept = None
            if same:
                runs, boots = self._player.runs()
                before_runs, before_boots = self._kept_runs
                passed = tuple(now - then for now, then in zip(runs, before_runs, strict=True))
                return Passed(self._days, passed, boots - before_boots)
            self._failed += 1
            self._rests_until = today + (1 << self._failed // TRIES_A_PACE)
        return None

    def _phase(self, today: int) -> Hashable:
        return self._player.phase(today * NS_PER_DAY, lambda name: self._names.relative(name.encode(), today))

    def _structure(self, today: int) -> Hashable | None:
        found = structure(self._volume, lambda name: self._names.relative(name, today))
        return None if found is None else (found, self._phase(today))

    def longest(self, passed: Passed, count: int) -> int:
        """How many of `count` periods leave every name and every text as long as they are."""
        least = 0
        while least < count:
            middle = (least + count + 1) // 2
            least, count = (middle, count) if self._keeps_lengths(passed, middle) else (least, middle - 1)
        return least

    def _keeps_lengths(self, passed: Passed, count: int) -> bool:
        names = self._volume.state.claims.bearers
        days = count * passed.days
        return all(len(self._names.moved(name, days)) == len(name) for name in names) and self._player.keeps_lengths(
            days * NS_PER_DAY, [count * runs for runs in passed.runs], count * passed.boots
        )

    def skip(self, passed: Passed, count: int) -> None:
        """Skip so many periods."""
        days = count * passed.days

        def moved(name: str) -> str:
            return self._names.moved(name.encode(), days).decode()

        rename_all(self._volume, lambda name: self._names.moved(name, days))
        self._player.move(days * NS_PER_DAY, [count * runs for runs in passed.runs], count * passed.boots, moved)
        self._seen.clear()
        self._kept = None
