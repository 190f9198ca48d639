"""Where each region lies, how large its program will be, and how often its blocks are erased."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simfs.flash.datasheet import Datasheet
from simfs.replay.scenario.regions.tables import Region, Releases

Regions = Sequence[Region | None]
"""The regions of a file in its order. None stands for one that has a fault of its own."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A region with its number in the file, and where it lies in the chip."""

    number: int
    region: Region
    start_bytes: int
    size_bytes: int

    @property
    def end_bytes(self) -> int:
        """The first byte behind it."""
        return self.start_bytes + self.size_bytes


def place(regions: Regions, sheet: Datasheet) -> list[Placed]:
    """Each region where the file puts it, in the file's order, whether that is sound or not. One that follows a region
    nobody can place is left out. A size of 0 means that nothing is left for it."""
    found: list[Placed] = []
    starts = sorted(region.start for region in regions if region is not None and region.start is not None)
    behind: int | None = 0
    for number, region in enumerate(regions):
        start = None if region is None else region.start
        if region is not None and start is None and behind is not None:
            start = rounded_up(behind, region.align or sheet.block_bytes)
        behind = None
        if region is not None and start is not None:
            limit = next((other for other in starts if other > start), sheet.size_bytes)
            size = max(0, limit - start) if region.size is None else region.size
            found.append(Placed(number, region, start, size))
            behind = start + size
    return found


def program_of(update: Region, regions: Sequence[Region]) -> Region | None:
    """The program that an update brings; None where the file does not say which."""
    programs = [one for one in regions if one.holds == "program" and update.of in (None, one.name)]
    return programs[0] if len(programs) == 1 else None


def used_later_bytes(program: Region, size_bytes: int, releases: Releases) -> int:
    """How large a program in a region of `size_bytes` is once all releases are out."""
    return (program.used or size_bytes) + releases.planned * program.grows_per_release


def erased_every_ns(region: Region, regions: Sequence[Region], releases: Releases) -> int | None:
    """How often each block of a region is erased; None for never, or where the file does not say."""
    every = region.rewritten_every
    if every is None:
        is_updated = any(one.holds == "update" and program_of(one, regions) == region for one in regions)
        every = releases.every if region.holds == "update" or is_updated else None
    return None if every is None else every * region.turns


def rounded_up(at: int, step: int) -> int:
    """The first multiple of `step` from `at` on."""
    return -(-at // step) * step
