"""What a run asks of the device: how long its writes wait, and what booting takes."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.replay.device.notes import Boot, Stall


@dataclass(frozen=True, slots=True)
class Stalls:
    """Times in which a write kept its caller waiting for the medium: program and erase, at the datasheet's typical
    times unless the name says max."""

    count: int
    total_ns: int
    per_mille_999_ns: int
    longest: Stall | None
    longest_at_max: Stall | None
    most_cleanings: Stall | None
    held_reads: int
    held_total_ns: int
    held_longest_ns: int
    held_behind: str
    writes_by_busy_ns: dict[int, int]

    @property
    def longest_ns(self) -> int:
        return self.longest.busy_ns if self.longest else 0

    @property
    def longest_at_max_ns(self) -> int:
        return self.longest_at_max.busy_max_ns if self.longest_at_max else 0


@dataclass(frozen=True, slots=True)
class Boots:
    """Mounts: those in the run, and one of the flash as it is at the end."""

    in_run: int
    at_end: Boot
    slowest: Boot
