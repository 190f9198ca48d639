"""The figures of several runs side by side, and where a later one is worse than the first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from simfs.files.card_store import card_of
from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR, YEARS_SHOWN_MAX
from simfs.replay.device.device import Run
from simfs.replay.play import play, replay
from simfs.replay.scenario.load import Findings, load_table, scenario_of
from simfs.replay.scenario.overrides import with_written
from simfs.replay.scenario.toml_lines import spell
from simfs.study.any_cuts import AnyRecorder, CutFigures, cut_figures
from simfs.study.run.card_work import PACE_NS_MIN
from simfs.study.run.expect import judge
from simfs.study.run.figures import Figures
from simfs.study.run.measure import figures
from simfs.study.run.outlook import with_outlook

Number = int | float
LIFE_ENOUGH_NS = YEARS_SHOWN_MAX * NS_PER_YEAR


class BadSettings(ValueError):
    """Settings of a side that can't be; `faults` has everything that is wrong with them."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


@dataclass(frozen=True, slots=True)
class Quantity:
    """A figure that is compared: `measure` gives it, from the `Figures` of a run or the `CutFigures` of power cuts in
    it, or None where it does not apply or nobody knows. Where more is better, an unknown one counts as best if
    `unknown_is_best`, as of a store that never fills up; what is `enough` can't be bettered."""

    name: str
    measure: Callable[[Any], Number | None]
    more_is_better: bool = False
    unknown_is_best: bool = False
    enough: Number | None = None


QUANTITIES = (
    Quantity("room_bytes", lambda of: of.room.capacity_bytes, more_is_better=True),
    Quantity("most_in_use_bytes", lambda of: of.room.live_max_bytes),
    Quantity(
        "full_after_ns", lambda of: of.outlook.full_ns if of.outlook else None,
        more_is_better=True, unknown_is_best=True,
    ),
    Quantity("life_ns", lambda of: of.first_block_ns, more_is_better=True, enough=LIFE_ENOUGH_NS),
    Quantity("card_life_least_ns", lambda of: of.card.life_least_ns if of.card else None, more_is_better=True),
    Quantity("card_life_most_ns", lambda of: of.card.life_most_ns if of.card else None, more_is_better=True),
    Quantity("card_sectors_a_day", lambda of: _sectors_a_day(of)),
    Quantity("write_amplification", lambda of: of.amplification.total_ratio),
    Quantity("erases_a_day", lambda of: _erases_a_day(of)),
    Quantity("longest_write_ns", lambda of: of.stalls.longest_ns if of.stalls else None),
    Quantity("longest_write_at_max_ns", lambda of: of.stalls.longest_at_max_ns if of.stalls else None),
    Quantity("boot_ns", lambda of: of.boots.slowest.time_ns if of.boots else None),
    Quantity("energy_a_day_nj", lambda of: of.energy.active_per_day_nj if of.energy else None),
    Quantity(
        "battery_life_ns", lambda of: of.battery.life_ns if of.battery else None,
        more_is_better=True,
    ),
    Quantity("battery_medium_percent", lambda of: _battery_percent(of)),
    Quantity("ram_bytes", lambda of: of.ram_total_bytes or None),
    Quantity("refused_operations", lambda of: of.trouble.refused_operations),
    Quantity("lost_records", lambda of: of.trouble.lost_records),
    Quantity("lost_readings", lambda of: of.both.lost_readings if of.both else None),
    Quantity("names_that_break", lambda of: sum(fault.breaks for fault in of.trouble.name_faults)),
)  # fmt: skip
OF_CUTS = (
    Quantity("cuts_that_lose_percent", lambda of: of.losing_percent),
    Quantity("lost_at_a_cut_bytes", lambda of: of.lost_bytes_max),
    Quantity("cuts_to_mend_percent", lambda of: of.to_mend_percent),
)
EVERY_QUANTITY = (*QUANTITIES, *OF_CUTS)


def _battery_percent(of: Figures) -> float | None:
    share = of.battery.medium_share if of.battery else None
    return None if share is None else 100 * share


def _erases_a_day(of: Figures) -> float | None:
    run_ns = of.subject.duration_ns
    return of.flash_work.erases * NS_PER_DAY / run_ns if of.wear and run_ns >= PACE_NS_MIN else None


def _sectors_a_day(of: Figures) -> int | None:
    day_bytes = of.card.per_day_bytes if of.card else None
    return day_bytes // of.card.sector_bytes if of.card and day_bytes is not None else None


@dataclass(frozen=True, slots=True)
class Side:
    """One run: what names it, when its device's clock began, and its figures by the names of `EVERY_QUANTITY`."""

    name: str
    start_ns: int
    figures: dict[str, Number | None]
    unmet: tuple[str, ...]  # its expectations that are not met
    full_is_projected: bool = False  # from the pace of the run, and not seen
    card: tuple[tuple[str, int, str], ...] = ()  # what is taken for its card: name, value, where that is from
    cut_states: int = 0

    @classmethod
    def of(cls, name: str, run: Run, cuts: CutFigures | None = None) -> Self:
        """The figures of a run, with what comes after it, and of power cuts in it. Reads the store."""
        taken = with_outlook(run, figures(run))
        unmet = tuple(verdict.name for verdict in judge(run, taken) if not verdict.met)
        known = {of.name: of.measure(taken) for of in QUANTITIES}
        known |= {of.name: of.measure(cuts) if cuts else None for of in OF_CUTS}
        projected = taken.outlook is not None and taken.outlook.is_projected
        on_card = card_of(run.store)
        card = tuple(on_card.card.sheet.sourced()) if on_card else ()
        return cls(name, run.start_ns, known, unmet, projected, card, cuts.states if cuts else 0)


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of all sides. `worse` has the numbers of the sides at which it is worse than at the first, beyond what
    is tolerated; at side 0 never."""

    name: str
    values: tuple[Number | None, ...]
    worse: tuple[int, ...]

    @property
    def differs(self) -> bool:
        return len(set(self.values)) > 1


@dataclass(frozen=True, slots=True)
class Comparison:
    """All sides; the first is what the others are held to."""

    tolerance_percent: float
    sides: tuple[Side, ...]
    rows: tuple[Row, ...]
    newly_unmet: tuple[tuple[str, ...], ...]  # for each side: expectations not met here, and met at the first

    @property
    def is_worse(self) -> bool:
        return any(row.worse for row in self.rows) or any(self.newly_unmet)


def run_file(path: str | Path, cuts: int = 0) -> Side:
    """The run of a scenario or a script, under the file's name; and once more with so many power `cuts`. Fails as
    `replay` does."""
    run = replay(path)
    return Side.of(str(path), run, _cut(cuts, lambda recorder: replay(path, observers=[recorder])))


def run_changed(path: str | Path, settings: str, cuts: int = 0) -> Side:
    """The run of a scenario with settings such as `store.size=1MiB; store.packing=page`, under these; `cuts` as for
    `run_file`.

    `BadSettings` has what is wrong with them; fails else as `load_scenario` does.
    """
    table = load_table(path)
    faults: list[str] = []
    for setting in settings.split(";"):
        try:
            table = with_written(table, setting)
        except ValueError as error:
            faults.append(f"{setting.strip()}: {error}")
    if faults:
        raise BadSettings(faults)
    scenario = scenario_of(table)
    if isinstance(scenario, Findings):
        found = scenario.within + scenario.between
        raise BadSettings([f"{settings}: {spell(place)}: {what}" for place, what in found])
    run = play(scenario, str(path))
    return Side.of(settings, run, _cut(cuts, lambda recorder: play(scenario, str(path), observers=[recorder])))


def _cut(cuts: int, again: Callable[[AnyRecorder], Run]) -> CutFigures | None:
    if not cuts:
        return None
    recorder = AnyRecorder()
    return cut_figures(recorder.history(again(recorder).title), cuts)


def compare(sides: Sequence[Side], tolerance_percent: float) -> Comparison:
    """Hold all sides to the first. A figure is worse where it is so by more than `tolerance_percent` of the first's;
    an expectation that the first meets, and a side does not, is always worse."""
    rows = tuple(_row(of, sides, tolerance_percent) for of in EVERY_QUANTITY)
    newly = tuple(tuple(name for name in side.unmet if name not in sides[0].unmet) for side in sides)
    return Comparison(tolerance_percent, tuple(sides), tuple(row for row in rows if _is_known(row)), newly)


def _is_known(row: Row) -> bool:
    return any(value is not None for value in row.values)


def _row(of: Quantity, sides: Sequence[Side], tolerance_percent: float) -> Row:
    values = tuple(side.figures[of.name] for side in sides)
    worse = (at for at, value in enumerate(values) if at and _is_worse(of, values[0], value, tolerance_percent))
    return Row(of.name, values, tuple(worse))


def _is_worse(of: Quantity, first: Number | None, value: Number | None, tolerance_percent: float) -> bool:
    if value is None or first is None:
        return of.unknown_is_best and first is None and value is not None
    if of.enough is not None:
        first, value = min(first, of.enough), min(value, of.enough)
    by = first - value if of.more_is_better else value - first
    return by > 0 and 100 * by > tolerance_percent * first
