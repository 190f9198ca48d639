"""Memory as the medium of a store: it counts what reaches it and takes neither time nor energy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from simfs.files.contract import Mark, SpentNow


@dataclass(slots=True)
class MemoryMedium:
    """The medium that is a computer's memory. It has no blocks, and a program may have any length."""

    size_bytes: int
    reads: int = 0
    read_bytes: int = 0
    programs: int = 0
    program_bytes: int = 0

    @property
    def kind(self) -> str:
        return "memory"

    @property
    def name(self) -> str:
        return "of the computer"

    @property
    def unit_bytes(self) -> int:
        return 1

    @property
    def block_bytes(self) -> int:
        return 0

    @property
    def block_count(self) -> int:
        return 0

    @property
    def supply_mv(self) -> int:
        return 0

    @property
    def standby_nw(self) -> int:
        return 0

    @property
    def is_timed(self) -> bool:
        return False

    def read(self, size_bytes: int) -> None:
        """Count a read."""
        self.reads += 1
        self.read_bytes += size_bytes

    def program(self, size_bytes: int) -> None:
        """Count a program."""
        self.programs += 1
        self.program_bytes += size_bytes

    def mark(self) -> Mark:
        return self.reads, self.read_bytes, self.programs, self.program_bytes

    def since(self, mark: Mark) -> SpentNow:
        reads, read_bytes, programs, program_bytes = (now - then for now, then in zip(self.mark(), mark, strict=True))
        return reads, read_bytes, programs, program_bytes, 0, 0, 0, 0

    def energy_nj(self, mark: Mark) -> int:
        return 0

    def current_sources(self) -> Mapping[str, str]:
        return {}


@dataclass(slots=True)
class MemoryMeters:
    """See `Meters`; a store in memory moves nothing."""

    host_bytes: int = 0
    payload_bytes_programmed: int = 0
    relocated_bytes: int = 0
    cleanings: int = 0
    names_cut: int = 0


class MemoryUsage(NamedTuple):
    """See `Usage`."""

    capacity_bytes: int
    live_bytes: int
    dead_bytes: int
    blank_bytes: int
