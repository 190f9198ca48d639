"""A scenario with some of its settings varied: every combination of their values is run.

A combination that can't be run, such as a store that does not fit, is in the list with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from itertools import product
from math import prod
from pathlib import Path
from typing import Any, NamedTuple, Self

from simfs.replay.play import play
from simfs.replay.scenario.load import Findings, Found, load_table, scenario_of
from simfs.replay.scenario.overrides import parse_path, parse_values, resolved, with_setting
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.toml_lines import Path as KeyPath
from simfs.replay.scenario.toml_lines import spell
from simfs.study.pools import in_order, pool
from simfs.study.run.expect import Verdict, judge
from simfs.study.run.figures import Figures
from simfs.study.run.measure import figures
from simfs.study.run.outlook import with_outlook

VARIANTS_MAX = 1000

Progress = Callable[[int, int], None]
"""Called with the number of variants that are done, and the number of all."""


class BadVariation(ValueError):
    """Settings that can't be varied so; `faults` has everything that is wrong, each naming setting and value."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


@dataclass(frozen=True, slots=True)
class Variation:
    """One setting and its values, each as it was written and as TOML reads it."""

    setting: str
    values: tuple[tuple[str, Any], ...]

    @classmethod
    def parse(cls, text: str) -> Self:
        """From `store.size=512KiB,1MiB`. `ValueError` says what would be right."""
        setting, sign, values = (part.strip() for part in text.partition("="))
        if not sign:
            raise ValueError("it gives no values; write a setting and its values, as in store.size=512KiB,1MiB")
        parse_path(setting)
        return cls(setting, tuple(parse_values(values)))


@dataclass(frozen=True, slots=True)
class Summary:
    """The figures of one run that are compared. Times are the datasheet's typical ones unless the name says otherwise;
    None if the run can't say."""

    life_ns: int | None  # until the hottest block reaches its rated cycles
    longest_write_ns: int | None
    longest_write_at_max_ns: int | None  # at the datasheet's maximum times
    write_amplification: float | None
    erases: int
    programs: int
    energy_a_day_nj: int | None  # programs, erases, reads
    ram_bytes: int
    free_bytes_min: int  # of the capacity, when most of it was in use
    mount_ns: int | None  # the slowest
    refused_operations: int
    lost_records: int  # gathered, and not written when the device booted or the run ended
    sectors_written: int | None  # on a card
    full_ns: int | None  # from the start until the store is full; None too where nobody looked beyond the run

    @classmethod
    def of(cls, taken: Figures) -> Self:
        """The figures that are compared."""
        life, stalls, energy = taken.life, taken.stalls, taken.energy
        return cls(
            life_ns=life.hottest_ns if life else None,
            longest_write_ns=stalls.longest_ns if stalls else None,
            longest_write_at_max_ns=stalls.longest_at_max_ns if stalls else None,
            write_amplification=taken.amplification.total_ratio,
            erases=taken.flash_work.erases,
            programs=taken.flash_work.programs,
            energy_a_day_nj=energy.active_per_day_nj if energy else None,
            ram_bytes=taken.ram_total_bytes,
            free_bytes_min=taken.room.capacity_bytes - taken.room.live_max_bytes,
            mount_ns=taken.boots.slowest.time_ns if taken.boots else None,
            refused_operations=taken.trouble.refused_operations,
            lost_records=taken.trouble.lost_records,
            sectors_written=taken.card.sectors_written if taken.card else None,
            full_ns=taken.outlook.full_ns if taken.outlook else None,
        )


@dataclass(frozen=True, slots=True)
class Variant:
    """One combination of values: the figures of its run, or why there was none."""

    settings: dict[str, str]  # values by their settings, as they were spelled
    summary: Summary | None
    unmet: tuple[Verdict, ...]  # expectations of the scenario
    refused: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sweep:
    """All variants; the best first if `sorted_by` names a figure."""

    title: str
    source: str
    settings: tuple[str, ...]
    sorted_by: str
    variants: tuple[Variant, ...]


class Order(NamedTuple):
    """A figure that variants can be sorted by, and whether the least or the most comes first."""

    figure: str
    first: str
    more_is_better: bool = False


ORDERS = {
    "life": Order("life_ns", "longest life", more_is_better=True),
    "longest-write": Order("longest_write_ns", "shortest longest write"),
    "longest-write-bound": Order("longest_write_at_max_ns", "lowest bound of a write"),
    "write-amplification": Order("write_amplification", "least write amplification"),
    "erases": Order("erases", "fewest erases"),
    "programs": Order("programs", "fewest page programs"),
    "energy": Order("energy_a_day_nj", "least energy"),
    "ram": Order("ram_bytes", "least RAM"),
    "free-room": Order("free_bytes_min", "most free room", more_is_better=True),
    "mount": Order("mount_ns", "quickest mount"),
    "refused": Order("refused_operations", "fewest refused"),
    "lost-records": Order("lost_records", "fewest lost records"),
}


def sweep(
    path: str | Path,
    variations: Iterable[Variation],
    *,
    sorted_by: str = "",
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Sweep:
    """Run the scenario in a TOML file with every combination of the values.

    Without `sorted_by` (a key of `ORDERS`) the variants stay in the order of the values, the last setting's changing
    quickest. `executor` may be any; without one, a pool of processes over all cores. The result does not depend on it.
    `BadScenario` for the file, `BadVariation` for the settings, `OSError` where the file can't be read.
    """
    table, settings = load_table(path), list(variations)
    places = _places(table, settings)
    combinations = list(product(*(variation.values for variation in settings)))
    tables = [_changed(table, places, [value for _, value in values]) for values in combinations]
    names = [variation.setting for variation in settings]
    labels = [dict(zip(names, (spelled for spelled, _ in values), strict=True)) for values in combinations]
    found = run_all(path, zip(tables, labels, strict=True), len(tables), executor, progress)
    title = str(table.get("title") or Path(path).stem)
    return Sweep(title, str(path), tuple(names), sorted_by, tuple(_sorted(found, sorted_by)))


def run_all(
    path: str | Path,
    changed: Iterable[tuple[dict[str, Any], dict[str, str]]],
    count: int,
    executor: Executor | None,
    progress: Progress | None,
    *,
    looks_ahead: bool = False,
) -> list[Variant]:
    """The run of each of `count` changed tables of a scenario, with the settings that were changed, in their order.
    `looks_ahead` also finds when the store is full, as `with_outlook` does."""
    found: list[Variant] = []
    with pool(executor, small=count < 2) as workers:
        for variant in in_order(workers, partial(_variant, str(path), looks_ahead), changed):
            found.append(variant)
            if progress:
                progress(len(found), count)
    return found


def _variant(source: str, looks_ahead: bool, changed: tuple[dict[str, Any], dict[str, str]]) -> Variant:
    """The run of one changed scenario, with the settings that were changed. This is what a worker does."""
    table, settings = changed
    scenario = scenario_of(table)
    if isinstance(scenario, Findings):
        refused = [_said(found) for found in scenario.within + scenario.between]
        return Variant(settings, None, (), tuple(refused))
    try:
        run = play(scenario, source)
        taken = with_outlook(run, figures(run)) if looks_ahead else figures(run)
        unmet = tuple(verdict for verdict in judge(run, taken) if not verdict.met)
    except OSError as error:  # the flash holds no store any more
        return Variant(settings, None, (), (error.strerror or str(error),))
    return Variant(settings, Summary.of(taken), unmet, ())


def _sorted(variants: list[Variant], sorted_by: str) -> list[Variant]:
    """Sorted, the best first. Variants that do not meet the scenario's expectations come after the others, because a
    store that refuses half of its work may last long. Those without the figure, or not run, come last."""
    if not sorted_by:
        return variants
    order = ORDERS[sorted_by]

    def rank(variant: Variant) -> tuple[bool, bool, bool, float]:
        value = getattr(variant.summary, order.figure) if variant.summary else None
        signed = -value if value and order.more_is_better else value or 0
        return variant.summary is None, bool(variant.unmet), value is None, signed

    return sorted(variants, key=rank)


def _places(table: dict[str, Any], variations: list[Variation]) -> list[KeyPath]:
    """Where the settings are in the table. `BadVariation` has everything that is wrong with a setting or a value."""
    faults: list[str] = []
    places: list[KeyPath] = []
    if prod(len(variation.values) for variation in variations) > VARIANTS_MAX:
        what = f"there are more than {VARIANTS_MAX} combinations; vary fewer settings, or give fewer values"
        raise BadVariation([f"{variations[-1].setting}: {what}"])
    for variation in variations:
        try:
            place = resolved(table, parse_path(variation.setting))
        except ValueError as error:
            faults.append(f"{variation.setting}: {error}")
            continue
        if any(place[: len(other)] == other[: len(place)] for other in places):
            faults.append(f"{variation.setting}: it is varied already; give all its values in one list")
        places.append(place)
        faults += _value_faults(table, place, variation)
    if faults:
        raise BadVariation(faults)
    return places


def _value_faults(table: dict[str, Any], place: KeyPath, variation: Variation) -> Iterator[str]:
    """The faults that a value has by itself, whatever the other settings are. The scenario is sound without it."""
    seen: list[Scenario] = []
    for spelled, value in variation.values:
        found = scenario_of(with_setting(table, place, value))
        if isinstance(found, Scenario):
            if found in seen:
                yield f"{variation.setting}={spelled}: this value is there already; give it once"
            seen.append(found)
            continue
        for path, what in found.within:
            if path[: len(place)] == place or not _has(table, path):
                yield f"{variation.setting}={spelled}: {what}"


def _has(table: Any, path: KeyPath) -> bool:
    for step in path:
        if step not in (table if isinstance(table, dict) else range(len(table))):
            return False
        table = table[step]
    return True


def _changed(table: dict[str, Any], places: list[KeyPath], values: list[Any]) -> dict[str, Any]:
    for place, value in zip(places, values, strict=True):
        table = with_setting(table, place, value)
    return table


def _said(found: Found) -> str:
    path, what = found
    return f"{spell(path)}: {what}"
