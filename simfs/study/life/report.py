"""The report on a run to the end of a device's life, with what the scenario expects of it."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.replay.scenario.chip_map import rewritten_regions
from simfs.replay.scenario.tables import Scenario
from simfs.study.life.end_of_life import EndOfLife
from simfs.study.run.region_wear import RegionWear, first_worn, region_wear


@dataclass(frozen=True, slots=True)
class LifeReport:
    """`life_min_ns` is the scenario's expectation of the time to the first block at its rated cycles, be it the store's
    or a region's; with another end it is not judged. `regions` are those that the firmware erases by itself."""

    title: str
    source: str
    part: str
    block_count: int
    life: EndOfLife
    life_min_ns: int | None
    regions: tuple[RegionWear, ...] = ()
    expects_refusals: bool = False  # the scenario allows some, or the life ends with one, when the store is full

    @property
    def first_ns(self) -> int | None:
        """When the first block of all is at its rated cycles; None where none ever is."""
        region = first_worn(self.regions)
        ends = [self.life.at_ns, region.life_ns if region else None]
        return min((at_ns for at_ns in ends if at_ns is not None), default=None)

    @property
    def met(self) -> bool | None:
        """Whether the life is as long as expected, and nothing is refused that is not; None where nothing is expected
        and nothing refused."""
        return False if self.is_refused else self.lasts

    @property
    def is_refused(self) -> bool:
        """Whether the store refuses what the scenario does not expect it to."""
        return self.life.refused > 0 and not self.expects_refusals

    @property
    def lasts(self) -> bool | None:
        """Whether the life is as long as expected; None where nothing is."""
        if self.life_min_ns is None or self.life.until != "rated":
            return None
        return self.first_ns is None or self.first_ns >= self.life_min_ns


def life_report(scenario: Scenario, source: str, title: str, life: EndOfLife) -> LifeReport:
    """The report on the end of a scenario's device."""
    sheet = scenario.chip.datasheet()
    gone_ns = life.at_ns if life.at_ns is not None else life.simulated_ns + life.skipped_ns
    return LifeReport(
        scenario.title or title, source, sheet.name, len(life.erase_counts), life, scenario.expect.life_min,
        region_wear(rewritten_regions(scenario), sheet.rated_cycles, gone_ns),
        life.until == "full" or bool(scenario.expect.refused_max),
    )  # fmt: skip
