"""The pace at which a run wears the blocks."""

from __future__ import annotations

from simfs.replay.run import Run
from simfs.study.fleet import Pace


def pace_of_run(run: Run) -> Pace:
    """The erases of each block in the run's time; a filling that awaits its erase counts as one, as in
    `simfs.study.life`. ValueError when nothing was erased."""
    erases = [now - first for now, first in zip(run.flash.erase_counts, run.erase_counts_first, strict=True)]
    filled = [block.state not in ("blank", "ready") for block in run.store.blocks()]
    fills = tuple(count + held for count, held in zip(erases, filled, strict=True))
    return Pace(run.duration_ns, fills if any(erases) else (), "the run")
