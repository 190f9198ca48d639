"""What a removable card had to take in a run."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_S

PACE_NS_MIN = 3_600 * NS_PER_S  # a shorter run tells nothing about a day


@dataclass(frozen=True, slots=True)
class CardWork:
    """What a card was asked to write. How much it programs for that inside is its controller's secret: at least
    `inner_least`, at most `inner_most` times as much; `fills` is how often all of it can be."""

    sectors_written: int
    sectors_floor: int
    sector_bytes: int
    size_bytes: int
    run_ns: int
    inner_least: int
    inner_most: int
    fills: int

    @property
    def per_day_bytes(self) -> int | None:
        """None of a run too short to have a pace."""
        written_bytes = self.sectors_written * self.sector_bytes
        return written_bytes * NS_PER_DAY // self.run_ns if self.run_ns >= PACE_NS_MIN else None

    @property
    def life_least_ns(self) -> int | None:
        return self.life_ns(self.inner_most)

    @property
    def life_most_ns(self) -> int | None:
        return self.life_ns(self.inner_least)

    def life_ns(self, inner: int) -> int | None:
        """Until the card has programmed all that it is good for, if it programs so many times what is written."""
        day = self.per_day_bytes
        return self.size_bytes * self.fills * NS_PER_DAY // (day * inner) if day else None
