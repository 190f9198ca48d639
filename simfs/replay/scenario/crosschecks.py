"""Faults that no table of a scenario shows alone: contradictions between tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Any

from simfs.flash import Geometry
from simfs.replay.device.clock import NS_PER_DAY, YEAR_MAX, calendar
from simfs.replay.scenario.media.both_checks import both_faults
from simfs.replay.scenario.media.chip import Chip, NoChip
from simfs.replay.scenario.near_words import did_you_mean
from simfs.replay.scenario.patterns import CLOCK_FIELDS, COUNT_FIELDS
from simfs.replay.scenario.quantities import format_size
from simfs.replay.scenario.regions.checks import region_faults
from simfs.replay.scenario.regions.placing import Placed, Regions, place
from simfs.replay.scenario.tables import RunTable, StoreTable, Value
from simfs.replay.scenario.tasks import Append, Create, Task, Update, Write
from simfs.replay.scenario.toml_lines import Path
from simfs.store.format.codec import NO_BLOCK
from simfs.store.format.config import StoreConfig
from simfs.store.format.layout import PAGE_PROGRAMS_MIN
from simfs.store.format.settings import PAGE_BYTES_MIN, check_fit

OPERATIONS_MAX = 50_000_000
BLOCKS_TRIED_MAX = 1000  # for the smallest store that fits

Found = Iterator[tuple[Path, str]]


def cross_faults(sections: Mapping[str, Any]) -> Found:
    """Path and fault of everything that is wrong between `sections`, the tables that have no fault of their own."""
    tasks: list[tuple[int, Task]] = sections.get("task", [])
    regions: Regions = sections.get("region", [])
    on_card = "store" in sections and sections["store"].kind == "card"
    if on_card:
        yield from _card_faults(regions)
    elif isinstance(sections.get("chip"), NoChip):
        yield ("chip",), 'it is missing; write the flash, for example part = "W25Q32JV"'
    elif "chip" in sections:
        yield from _chip_faults(sections, regions)
    if {"store", "both", "card_out"} <= sections.keys():
        store = sections["store"]
        yield from both_faults(store.kind, store.name_bytes, sections["both"], sections["card_out"], tasks)
    if "values" in sections:
        yield from _value_faults(sections["values"], tasks)
    if "battery" in sections and "expect" in sections:
        yield from _battery_faults(sections)
    if "run" in sections:
        yield from _length_faults(sections["run"], tasks)
    yield from _name_faults(tasks)


def _card_faults(regions: Regions) -> Found:
    if regions:
        yield ("region",), 'regions share out a chip, and the store is of the kind "card"; leave them out'


def _battery_faults(sections: Mapping[str, Any]) -> Found:
    if sections["battery"] is None and sections["expect"].battery_min is not None:
        yield (
            ("expect", "battery_min"),
            "no table [battery] says what the device runs from; write one, or leave this out",
        )


def _chip_faults(sections: Mapping[str, Any], regions: Regions) -> Found:
    if "releases" in sections:
        yield from region_faults(regions, sections["chip"].datasheet(), sections["releases"])
    if "store" in sections and regions:
        yield from _store_region_faults(sections["chip"], sections["store"], regions)
    elif "store" in sections:
        yield from _region_faults(sections["chip"], sections["store"])


def region_blocks(chip: Chip, store: StoreTable) -> int:
    """How many erase blocks the store has."""
    sheet = chip.datasheet()
    size_bytes = sheet.size_bytes - store.start if store.size is None else store.size
    return size_bytes // sheet.block_bytes


def store_region(chip: Chip, regions: Regions) -> Placed | None:
    """The region that holds the store, and where it lies; None where none does."""
    placed = place(regions, chip.datasheet())
    return next((one for one in placed if one.region.holds == "store"), None)


def _store_region_faults(chip: Chip, store: StoreTable, regions: Regions) -> Found:
    """What is wrong between the store's settings and the region that holds it."""
    held = store_region(chip, regions)
    for key in sorted({"start", "size"} & store.model_fields_set):
        yield ("store", key), 'a region that holds "store" says where it is; leave this out'
    if None not in regions and all(region is None or region.holds != "store" for region in regions):
        yield ("region",), 'no region holds the store; write one that holds "store", without a size for what is left'
    sheet = chip.datasheet()
    if held is None or not 0 < held.end_bytes <= sheet.size_bytes or held.size_bytes % sheet.block_bytes:
        return
    count = held.size_bytes // sheet.block_bytes
    try:
        check_fit(sheet.geometry(count), store.config())
    except ValueError as error:
        yield ("region", held.number, "size"), f"{error}; {_what_fits(sheet.geometry(count), store.config())}"


def _region_faults(chip: Chip, store: StoreTable) -> Found:
    sheet = chip.datasheet()
    block = format_size(sheet.block_bytes)
    for key, at in (("start", store.start), ("size", store.size or 0)):
        if at % sheet.block_bytes:
            whole = at - at % sheet.block_bytes or sheet.block_bytes
            yield ("store", key), f"{format_size(at)} is not whole erase blocks of {block}; write {format_size(whole)}"
    end = store.start + (store.size or sheet.block_bytes)
    if end > sheet.size_bytes:
        yield _beyond_the_chip(store, end, sheet.size_bytes)
        return
    count = region_blocks(chip, store)
    if not count:
        return
    try:
        check_fit(sheet.geometry(count), store.config())
    except ValueError as error:
        yield (
            ("store", "size") if store.size else ("store",),
            f"{error}; {_what_fits(sheet.geometry(count), store.config())}",
        )


def _what_fits(geometry: Geometry, config: StoreConfig) -> str:
    """What to write where no store fits."""
    if geometry.page_bytes < PAGE_BYTES_MIN or 0 < geometry.page_programs_max < PAGE_PROGRAMS_MIN:
        return "take another chip"
    if geometry.block_count >= NO_BLOCK:
        return "write a smaller store"
    for blocks in range(geometry.block_count + 1, BLOCKS_TRIED_MAX):
        with suppress(ValueError):
            check_fit(replace(geometry, block_count=blocks), config)
            return f"write at least {format_size(blocks * geometry.block_bytes)}, or other settings"
    return "write a larger store, or other settings"


def _beyond_the_chip(store: StoreTable, end: int, chip_bytes: int) -> tuple[Path, str]:
    """The key that asks for too much, and what is free."""
    chip, free_bytes = f"behind the chip's {format_size(chip_bytes)}", chip_bytes - store.start
    if free_bytes <= 0 or store.size is None:
        what = f"the store would begin at {format_size(store.start)} and end {chip}, where nothing is free"
        return ("store", "start"), f"{what}; write less"
    where = f" from start = {format_size(store.start)} on" if store.start else ""
    what = f"the store would end at {format_size(end)}, {chip}"
    return ("store", "size"), f"{what}; {format_size(free_bytes)} is free{where}, write at most that"


def _value_faults(values: Mapping[str, Value], tasks: list[tuple[int, Task]]) -> Found:
    for name in values:
        if name in CLOCK_FIELDS or name in COUNT_FIELDS or not name.isidentifier():
            what = "is a field of the clock" if name.isidentifier() else "is not a word of letters, digits and _"
            yield ("values", name), f'"{name}" {what}; give the reading another name'
    known = {*CLOCK_FIELDS, *COUNT_FIELDS, *values}
    for at, task in tasks:
        for position, operation in enumerate(task.operations):
            if isinstance(operation, (Append, Write, Create, Update)) and operation.text is not None:
                for field in sorted(operation.text.fields - known):
                    path: Path = ("task", at, "operations", position, "text")
                    near = did_you_mean(field, sorted(known))
                    right = f"{near}write a table [values.{field}], or one of {', '.join(sorted(known))}"
                    yield path, f"there is no reading {{{field}}}; {right}"


def _length_faults(run: RunTable, tasks: list[tuple[int, Task]]) -> Found:
    if calendar(run.start + run.duration).year > YEAR_MAX:
        yield ("run", "duration"), f"the run would end after the year {YEAR_MAX}; write an earlier start or less"
    for at, task in tasks:
        operations = operations_most(run, task)
        if operations > OPERATIONS_MAX:
            key = "every" if task.every else "operations"
            what = f"the task would do {operations:,} operations in this run, at most {OPERATIONS_MAX:,} are allowed"
            yield ("task", at, key), f"{what}; write a shorter run.duration, or a longer every"


def operations_most(run: RunTable, task: Task) -> int:
    """So many operations of the task there may be in the run."""
    if task.every:
        runs = max(0, run.duration - task.first) // task.every + 1
    else:
        runs = (run.duration // NS_PER_DAY + 1) * len(task.daily or [0])
    if task.until and task.until.runs:
        runs = min(runs, task.until.runs)
    each = sum(getattr(operation, "repeat", 1) for operation in task.operations)
    return runs * each * (task.burst.count[1] if task.burst else 1)


def _name_faults(tasks: list[tuple[int, Task]]) -> Found:
    first: dict[str, int] = {}
    for at, task in tasks:
        if task.name in first:
            what = f'task[{first[task.name]}] is named "{task.name}" already; give each task a name of its own'
            yield ("task", at, "name"), what
        first.setdefault(task.name, at)
