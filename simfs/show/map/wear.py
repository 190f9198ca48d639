"""Lines of a run's report about the regions that wear beside the store."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simfs.show import units
from simfs.study.run.region_wear import RegionWear

NAME_WIDTH = 14
SHOWN = 6


def region_lines(regions: Sequence[RegionWear]) -> Iterator[tuple[str, str, str]]:
    """Figure, value and note of each region, the one that is worn first before the others."""
    soonest = sorted(regions, key=lambda one: one.life_ns)
    for one in soonest[:SHOWN]:
        place = units.stretch(one.start_bytes, one.start_bytes + one.size_bytes)
        yield (
            f"life, {units.plain(one.name, NAME_WIDTH)}",
            units.years(one.life_ns),
            f"until the rated {one.rated_cycles:,} cycles of {place}: each block is erased every "
            f"{units.time(one.erased_every_ns)}, {_times(one.erases_in_run)} in this run",
        )
    if len(soonest) > SHOWN:
        yield "regions", f"{len(soonest) - SHOWN:,} more", "all of them with --json"


def _times(count: int) -> str:
    return "not once" if count == 0 else units.counted(count, "time")
