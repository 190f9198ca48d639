"""What a chip is shared out among, what is left of it, and a scenario run with stores of several sizes there."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simfs.replay.device.clock import NS_PER_YEAR
from simfs.replay.scenario.chip_map import regions_of
from simfs.replay.scenario.load import load_scenario, load_table
from simfs.replay.scenario.quantities import format_size, parse_size
from simfs.replay.scenario.regions.placing import Placed, erased_every_ns, used_later_bytes
from simfs.replay.scenario.regions.room import Stretch, free_stretches, largest_store, store_of_size
from simfs.replay.scenario.tables import Scenario
from simfs.study.sweep import Progress, Sweep, Variant, run_all

SIZES_MAX = 100


class BadSizes(ValueError):
    """Sizes of stores that can't be tried; `faults` has everything that is wrong with them."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


@dataclass(frozen=True, slots=True)
class MappedRegion:
    """A region where it lies. None is what does not apply: how large its program is today and after all planned
    releases, and how often each of its blocks is erased by the firmware itself."""

    name: str
    holds: str
    start_bytes: int
    size_bytes: int
    used_bytes: int | None
    used_later_bytes: int | None
    erased_every_ns: int | None
    rated_cycles: int

    @property
    def end_bytes(self) -> int:
        return self.start_bytes + self.size_bytes

    @property
    def left_bytes(self) -> int | None:
        return None if self.used_later_bytes is None else self.size_bytes - self.used_later_bytes

    @property
    def life_ns(self) -> int | None:
        return None if self.erased_every_ns is None else self.rated_cycles * self.erased_every_ns

    @property
    def life_years(self) -> float | None:
        return None if self.life_ns is None else self.life_ns / NS_PER_YEAR


@dataclass(frozen=True, slots=True)
class FlashMap:
    """The regions of a chip by address, what no region takes, and where the store could be largest while all other
    regions stay where they are."""

    title: str
    source: str
    part: str
    chip_bytes: int
    block_bytes: int
    releases_planned: int
    regions: tuple[MappedRegion, ...]
    free: tuple[Stretch, ...]
    largest_store: Stretch

    @property
    def free_bytes(self) -> int:
        return sum(one.size_bytes for one in self.free)


def flash_map(sound: Scenario, source: str) -> FlashMap:
    """The map of a file that was read; `source` names it."""
    sheet, placed = sound.chip.datasheet(), regions_of(sound)
    return FlashMap(
        title=sound.title or Path(source).stem,
        source=source,
        part=sheet.name,
        chip_bytes=sheet.size_bytes,
        block_bytes=sheet.block_bytes,
        releases_planned=sound.releases.planned,
        regions=tuple(_mapped(one, sound) for one in sorted(placed, key=lambda one: one.start_bytes)),
        free=tuple(free_stretches(placed, sheet)),
        largest_store=largest_store(placed, sheet),
    )


def _mapped(one: Placed, sound: Scenario) -> MappedRegion:
    region, is_program = one.region, one.region.holds == "program"
    return MappedRegion(
        name=region.name,
        holds=region.holds,
        start_bytes=one.start_bytes,
        size_bytes=one.size_bytes,
        used_bytes=region.used or one.size_bytes if is_program else None,
        used_later_bytes=used_later_bytes(region, one.size_bytes, sound.releases) if is_program else None,
        erased_every_ns=erased_every_ns(region, sound.region, sound.releases),
        rated_cycles=sound.chip.datasheet().rated_cycles,
    )


def run_stores(
    path: str | Path, sizes: Sequence[str], *, executor: Executor | None = None, progress: Progress | None = None
) -> Sweep:
    """Run the scenario in a TOML file with a store of each of these sizes, all other regions staying where they are,
    and on until the store is full, as far as that is cheap.

    A store that no longer fits in its place goes to where there is most room; one that fits nowhere is in the result
    with the reason. `BadSizes` for the sizes, `BadScenario` for the file, `OSError` where it can't be read.
    """
    table, scenario = load_table(path), load_scenario(path)
    wanted = _parsed(sizes, scenario)
    starts = [store_of_size(size, regions_of(scenario), scenario.chip.datasheet()) for size in wanted]
    settings = ("store.size", "store.start")
    labels = [
        dict(zip(settings, (format_size(size), "-" if start is None else f"{start:#x}"), strict=True))
        for size, start in zip(wanted, starts, strict=True)
    ]
    fitting = [
        (_with_store(table, scenario, start, size), label)
        for size, start, label in zip(wanted, starts, labels, strict=True)
        if start is not None
    ]
    ran = iter(run_all(path, fitting, len(fitting), executor, progress, looks_ahead=True))
    why = _no_room(scenario)
    found = [
        next(ran) if start is not None else Variant(label, None, (), (why,))
        for start, label in zip(starts, labels, strict=True)
    ]
    return Sweep(scenario.title or Path(path).stem, str(path), settings, "", tuple(found))


def _parsed(sizes: Sequence[str], scenario: Scenario) -> list[int]:
    """Sizes in bytes. `BadSizes` has everything that is wrong with them."""
    block_bytes = scenario.chip.datasheet().block_bytes
    faults: list[str] = []
    found: list[int] = []
    if len(sizes) > SIZES_MAX:
        raise BadSizes([f"there are {len(sizes)} sizes; give at most {SIZES_MAX}"])
    for text in sizes:
        try:
            size = parse_size(text.strip())
        except ValueError as error:
            faults.append(str(error))
            continue
        if size < block_bytes or size % block_bytes:
            right = format_size(max(block_bytes, size - size % block_bytes))
            faults.append(f"{text.strip()} is not whole erase blocks of {format_size(block_bytes)}; write {right}")
        elif size in found:
            faults.append(f"{text.strip()} is there already; give each size once")
        found.append(size)
    if faults:
        raise BadSizes(faults)
    return found


def _no_room(scenario: Scenario) -> str:
    largest = largest_store(regions_of(scenario), scenario.chip.datasheet())
    room = f"{format_size(largest.size_bytes)} from {largest.start_bytes:#x} on"
    return f"the other regions leave no such room; at most {room} fit"


def _with_store(table: dict[str, Any], scenario: Scenario, start: int, size: int) -> dict[str, Any]:
    """A copy of the table with the store there, and every other region fixed where it lies."""
    placed = {"start": f"{start:#x}", "size": f"{size} B"}
    if not scenario.region:
        return table | {"store": table.get("store", {}) | placed}
    regions = [
        table["region"][one.number]
        | (placed if one.region.holds == "store" else {"start": f"{one.start_bytes:#x}", "size": f"{one.size_bytes} B"})
        for one in regions_of(scenario)
    ]
    return table | {"region": regions}
