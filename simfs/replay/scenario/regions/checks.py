"""Everything that is wrong with the regions of a chip, each with its path and what would be right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

from simfs.flash.datasheet import Datasheet
from simfs.replay.scenario.quantities import format_size
from simfs.replay.scenario.regions.placing import Placed, Regions, place, program_of, rounded_up, used_later_bytes
from simfs.replay.scenario.regions.tables import Region, Releases
from simfs.replay.scenario.toml_lines import Path

Numbered = list[tuple[int, Region]]
Found = Iterator[tuple[Path, str]]


def region_faults(regions: Regions, sheet: Datasheet, releases: Releases) -> Found:
    """Path and fault of everything that is wrong with regions that have no fault of their own each."""
    placed = place(regions, sheet)
    known = [(number, region) for number, region in enumerate(regions) if region is not None]
    yield from _name_faults(known)
    yield from _program_faults(known, placed, sheet, releases)
    for one in placed:
        yield from _block_faults(one, placed, sheet)
        yield from _end_faults(one, sheet)
        yield from _turn_faults(one, sheet)
    yield from _overlaps(placed, sheet)


def address(at: int) -> str:
    """A place in the chip."""
    return f"{at:#x}"


def _name_faults(regions: Numbered) -> Found:
    first: dict[str, int] = {}
    stores = [(number, region) for number, region in regions if region.holds == "store"]
    for number, region in regions:
        if region.name in first:
            what = f'region[{first[region.name]}] is named "{region.name}" already; give each region a name of its own'
            yield ("region", number, "name"), what
        first.setdefault(region.name, number)
    for number, _ in stores[1:]:
        what = f'"{stores[0][1].name}" holds the store already; there is one store, write another word here'
        yield ("region", number, "holds"), what


def _program_faults(regions: Numbered, placed: list[Placed], sheet: Datasheet, releases: Releases) -> Found:
    """Programs and updates that are too small for what is to come, and what says nothing about that."""
    known = [region for _, region in regions]
    sizes = {one.region.name: one.size_bytes for one in placed}
    for number, region in regions:
        if region.grows_per_release and not releases.planned:
            what = "no releases are planned, so it never grows; write a table [releases] with planned = 10, or so"
            yield ("region", number, "grows_per_release"), what
    for number, region in regions:
        program = region
        if region.holds == "update":
            found = program_of(region, known)
            if found is None:
                yield _no_program(number, region, known)
                continue
            program = found
        if program.holds == "program" and {region.name, program.name} <= sizes.keys():
            needed = used_later_bytes(program, sizes[program.name], releases)
            if needed > sizes[region.name] > 0:
                yield _too_small(number, region, program, sizes[region.name], needed, sheet, releases)


def _no_program(number: int, update: Region, regions: Sequence[Region]) -> tuple[Path, str]:
    programs = [region.name for region in regions if region.holds == "program"]
    if not programs:
        return ("region", number, "holds"), 'it is an update of no program; write a region that holds "program"'
    listed = ", ".join(f'"{name}"' for name in programs)
    if update.of is None:
        return ("region", number), f"it does not say of which program it is the update; write of = one of {listed}"
    return ("region", number, "of"), f'there is no program named "{update.of}"; known here are {listed}'


def _too_small(
    number: int, region: Region, program: Region, size_bytes: int, needed: int, sheet: Datasheet, releases: Releases
) -> tuple[Path, str]:
    more = f"{releases.planned:,} more release{'s' * (releases.planned != 1)}"
    grown = f"after {more} " if program.grows_per_release else ""
    what = f'{grown}the program "{program.name}" takes {format_size(needed)}, and here are {format_size(size_bytes)}'
    right = format_size(rounded_up(needed, sheet.block_bytes))
    return ("region", number, "size"), f"{what}; write at least {right}"


def _block_faults(one: Placed, placed: list[Placed], sheet: Datasheet) -> Found:
    """What does not fill whole erase blocks, or begins at no multiple of its align."""
    block_bytes, region = sheet.block_bytes, one.region
    block, align = format_size(block_bytes), region.align or block_bytes
    if align % block_bytes:
        right = format_size(rounded_up(align, block_bytes))
        what = f"{format_size(align)} is not whole erase blocks of {block}; write {right}"
        yield ("region", one.number, "align"), what
    if region.start is not None and one.start_bytes % block_bytes:
        what = f"{address(one.start_bytes)} is inside an erase block of {block}{_shared(one, placed, block_bytes, 0)}"
        yield (
            ("region", one.number, "start"),
            f"{what}; write {address(rounded_up(one.start_bytes, rounded_up(align, block_bytes)))}",
        )
    elif region.start is not None and not align % block_bytes and one.start_bytes % align:
        what = f"{address(one.start_bytes)} is no multiple of the region's align, {format_size(align)}"
        yield (
            ("region", one.number, "start"),
            f"{what}; write {address(rounded_up(one.start_bytes, align))}",
        )
    if region.size is not None and region.size % block_bytes:
        what = f"{format_size(region.size)} is not whole erase blocks of {block}"
        what += _shared(one, placed, block_bytes, -1)
        yield (
            ("region", one.number, "size"),
            f"{what}; write {format_size(rounded_up(region.size, block_bytes))}",
        )


def _shared(store: Placed, placed: list[Placed], block_bytes: int, edge: int) -> str:
    """Who shares the first erase block of the store (edge 0) or its last (-1) without overlapping it; "" for other
    regions."""
    mine = _blocks(store, block_bytes)
    if store.region.holds != "store" or not mine:
        return ""
    for other in placed:
        apart = other.end_bytes <= store.start_bytes or store.end_bytes <= other.start_bytes
        if other is not store and apart and mine[edge] in _blocks(other, block_bytes):
            at = address(mine[edge] * block_bytes)
            return f', so the store shares the one at {at} with "{other.region.name}", and an erase there takes both'
    return ""


def _blocks(one: Placed, block_bytes: int) -> range:
    """The erase blocks that a region touches."""
    return range(one.start_bytes // block_bytes, rounded_up(one.end_bytes, block_bytes) // block_bytes)


def _end_faults(one: Placed, sheet: Datasheet) -> Found:
    end = sheet.size_bytes
    chip = f"the chip ends at {address(end)}"
    if one.start_bytes >= end:
        what = f"it would begin at {address(one.start_bytes)}, and {chip}; write less"
        yield ("region", one.number, "start"), f"{what}, or make the regions before it smaller"
    elif one.end_bytes > end:
        what = f"it would end at {address(one.end_bytes)}, and {chip}"
        left = max(0, end - rounded_up(one.start_bytes, sheet.block_bytes))
        yield ("region", one.number, "size"), f"{what}; {format_size(left)} is left there, write at most that"


def _turn_faults(one: Placed, sheet: Datasheet) -> Found:
    blocks, turns = one.size_bytes // sheet.block_bytes, one.region.turns
    if one.size_bytes % sheet.block_bytes == 0 and blocks and blocks % turns:
        right = format_size(rounded_up(blocks, turns) * sheet.block_bytes)
        what = f"{blocks} erase blocks can't be divided into {turns} equal parts; write size = {right}, or other turns"
        yield ("region", one.number, "turns"), what


def _overlaps(placed: list[Placed], sheet: Datasheet) -> Found:
    """Each pair of regions that overlap, told of the one that begins later."""
    for early, late in combinations(sorted(placed, key=lambda one: one.start_bytes), 2):
        if late.start_bytes < min(early.end_bytes, sheet.size_bytes) and late.size_bytes:
            step = rounded_up(late.region.align or sheet.block_bytes, sheet.block_bytes)
            what = f'it begins at {address(late.start_bytes)}, inside "{early.region.name}", '
            what += f"which reaches from {address(early.start_bytes)} to {address(early.end_bytes)}"
            behind = rounded_up(early.end_bytes, step)
            right = f"write {address(behind)} or more, or " if behind < sheet.size_bytes else ""
            yield ("region", late.number, "start"), f"{what}; {right}make that one smaller"
