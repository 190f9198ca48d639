"""A moment of a run by the device's clock."""

from __future__ import annotations

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR
from simfs.show import units
from simfs.study.run.figures import Figures


def when(figures: Figures, at_ns: int, *, roughly: bool = False) -> str:
    """The date, with how long after the start that is; of a run without a date only that."""
    if not figures.subject.start_ns or not at_ns:
        return f"{'about ' if roughly else ''}{units.time(at_ns)} after the start" if at_ns else "right at the start"
    date = units.moment(figures.subject.start_ns + at_ns)
    date = date.partition(" ")[0] if roughly or at_ns > 2 * NS_PER_DAY else date
    date = date.partition("-")[0] if roughly and at_ns > 10 * NS_PER_YEAR else date
    return f"{'about ' if roughly else ''}{date}, {units.time(at_ns)} after the start"
