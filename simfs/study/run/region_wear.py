"""Wear of what a chip holds beside its store. Each such region counts against the cycles of its own blocks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from simfs.replay.device.clock import NS_PER_YEAR
from simfs.replay.device.rewritten import Rewritten


@dataclass(frozen=True, slots=True)
class RegionWear:
    """A region that the firmware erases by itself: how often each of its blocks was erased in the run, and how long
    they last from new."""

    name: str
    start_bytes: int
    size_bytes: int
    erased_every_ns: int
    erases_in_run: int
    rated_cycles: int

    @property
    def life_ns(self) -> int:
        """Until its blocks are at their rated cycles."""
        return self.rated_cycles * self.erased_every_ns

    @property
    def life_years(self) -> float:
        return self.life_ns / NS_PER_YEAR


def region_wear(regions: Iterable[Rewritten], rated_cycles: int, run_ns: int) -> tuple[RegionWear, ...]:
    """The wear of each region after a run of `run_ns`, which began with the blocks new."""
    return tuple(
        RegionWear(
            one.name, one.start_bytes, one.size_bytes, one.erased_every_ns, run_ns // one.erased_every_ns, rated_cycles
        )
        for one in regions
    )


def first_worn(regions: Iterable[RegionWear]) -> RegionWear | None:
    """The region whose blocks are worn first; None where none wears."""
    return min(regions, key=lambda one: one.life_ns, default=None)
