"""The report on a run to the end of a device's life, with what the scenario expects of it."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.replay.scenario.tables import Scenario
from simfs.study.life.end_of_life import EndOfLife


@dataclass(frozen=True, slots=True)
class LifeReport:
    """`life_min_ns` is the scenario's expectation of the time to the first block at its rated cycles; with another
    end it is not judged."""

    title: str
    source: str
    part: str
    block_count: int
    life: EndOfLife
    life_min_ns: int | None

    @property
    def met(self) -> bool | None:
        """Whether the expectation is met; None where there is none."""
        if self.life_min_ns is None or self.life.until != "rated":
            return None
        return self.life.at_ns is None or self.life.at_ns >= self.life_min_ns


def life_report(scenario: Scenario, source: str, title: str, life: EndOfLife) -> LifeReport:
    """The report on the end of a scenario's device."""
    return LifeReport(
        scenario.title or title, source, scenario.chip.datasheet().name, len(life.erase_counts), life,
        scenario.expect.life_min,
    )  # fmt: skip
