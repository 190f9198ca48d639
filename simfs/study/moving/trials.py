"""Runs what has moved with a fix in it, and says what that changes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any

from simfs.replay.device.device import Run
from simfs.replay.scenario.quantities import format_duration, format_size, parse_duration
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.toml_lines import Path
from simfs.study.moving.findings import Change, Number
from simfs.study.moving.moved import changed
from simfs.study.moving.tries import COSTS, TROUBLE, changes, measured, outlook_of

DOUBLINGS = 6
LASTING_TRIES = 3  # each carries a run on
LARGER_PARTS = ("W25Q32JV", "W25Q128JV")

Settings = list[tuple[Path, Any]]


class Trials:
    """The table of the new store, and of the scenario that moved if it is one; the figures of its run without any fix;
    `runs` gives the run of a changed table."""

    def __init__(
        self, table: dict[str, Any], before: dict[str, Number | None], runs: Callable[[Scenario], Run]
    ) -> None:
        self.table, self._before, self._runs = table, before, runs
        self._fixes: list[Settings] = []  # of what breaks

    def tried(self, settings: Settings, names: Iterable[str]) -> tuple[Change, ...]:
        """What the settings change of these figures; nothing where the scenario can't be run with them."""
        after = self._run(settings)
        return () if after is None else changes(names, self._before, after)

    def mended(self, settings: Settings, names: Iterable[str]) -> tuple[Change, ...]:
        """As `tried`, of settings that mend what breaks: `together` has them too, if they change anything."""
        found = self.tried(settings, names)
        if found and settings not in self._fixes:
            self._fixes.append(settings)
        return found

    def together(self) -> tuple[Change, ...]:
        """What all settings change together that mend what breaks; nothing where there are not two of them. The later
        of two for one key counts."""
        if len(self._fixes) < 2:
            return ()
        return self.tried([setting for settings in self._fixes for setting in settings], (*TROUBLE, *COSTS))

    def renamed(self, old: str, new: str) -> Settings:
        """Settings that put a pattern in place of another wherever the scenario has it."""
        found: Settings = []
        for at, task in enumerate(self.table["task"]):
            for position, operation in enumerate(task["operations"]):
                found += [
                    (("task", at, "operations", position, key), new)
                    for key in ("file", "to")
                    if operation.get(key) == old
                ]
        return found

    def every_ns(self, task: Path) -> int | None:
        """The time from one run of a task to the next; None where it runs by the time of day or at boot."""
        every = self.table["task"][task[1]].get("every")
        return None if every is None else parse_duration(every)

    @staticmethod
    def twice(every_ns: int) -> str:
        """Twice a time, as a scenario says it."""
        return format_duration(2 * every_ns)

    def enough_room(self) -> tuple[Settings, str, tuple[Change, ...]]:
        """The smallest of some larger stores in which less is refused, if any: its settings, in words, the changes."""
        refused = self._before["refused_operations"] or 0
        best: tuple[Settings, str, tuple[Change, ...]] = ([], "", ())
        for settings, words in self._larger():
            after = self._run(settings)
            if after is None or (after["refused_operations"] or 0) >= refused:
                continue
            refused = after["refused_operations"] or 0
            best = settings, words, changes((*TROUBLE, "room_bytes"), self._before, after)
            if not refused:
                break
        if best[0]:
            self._fixes.append(best[0])
        return best

    def lasting_room(
        self, full_ns: int, wanted_ns: int | None, *, carried_on: bool
    ) -> tuple[Settings, str, tuple[Change, ...]]:
        """The first of some larger stores that is not full before the old one is (`wanted_ns`, None: never), or the
        last that was tried; as `enough_room`."""
        best: tuple[Settings, str, tuple[Change, ...]] = ([], "", ())
        for settings, words in islice(self._larger(), LASTING_TRIES):
            scenario = changed(self.table, settings)
            if scenario is None:
                continue
            later_ns = outlook_of(self._runs(scenario), carried_on=carried_on).full_ns
            best = settings, words, (Change("full_after_ns", full_ns, later_ns),)
            if later_ns is None or (wanted_ns is not None and later_ns >= wanted_ns):
                break
        return best

    def _larger(self) -> Iterator[tuple[Settings, str]]:
        """Stores of twice the size, four times and so on, on a larger chip where the chip is too small."""
        scenario = changed(self.table, ())
        if scenario is None:
            return
        if scenario.store.kind == "card":
            for times in range(1, DOUBLINGS + 1):
                size = format_size(scenario.card.size << times)
                yield [(("card", "size"), size)], f'card.size = "{size}"'
            return
        sheet = scenario.chip.datasheet()
        held = scenario.store.size or sheet.size_bytes - scenario.store.start
        for times in range(1, DOUBLINGS + 1):
            size = format_size(held << times)
            settings: Settings = [(("store", "size"), size)]
            words = f'store.size = "{size}"'
            if scenario.region or scenario.store.start + (held << times) <= sheet.size_bytes:
                yield settings, words
            elif not scenario.chip.part:
                chip = format_size(scenario.store.start + (held << times))
                yield [*settings, (("chip", "size"), chip)], f'{words}, chip.size = "{chip}"'
            else:
                for part in LARGER_PARTS:
                    yield [*settings, (("chip",), {"part": part})], f'{words}, chip.part = "{part}"'

    def _run(self, settings: Settings) -> dict[str, Number | None] | None:
        scenario = changed(self.table, settings)
        return None if scenario is None else measured(self._runs(scenario))
