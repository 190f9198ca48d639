"""What the medium of a run takes."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.replay.device.clock import NS_PER_DAY
from simfs.study.run.card_work import PACE_NS_MIN


@dataclass(frozen=True, slots=True)
class Energy:
    """Energy that the medium takes, in nJ, without the rest of the device."""

    program_erase_read_nj: int
    run_ns: int
    standby_per_day_nj: int
    supply_mv: int

    @property
    def active_per_day_nj(self) -> int | None:
        """None of a run too short to have a pace."""
        return self.program_erase_read_nj * NS_PER_DAY // self.run_ns if self.run_ns >= PACE_NS_MIN else None
