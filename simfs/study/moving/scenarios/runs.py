"""The two runs of a scenario that moves."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.replay.device.device import Run
from simfs.study.moving.scenarios.places import Places
from simfs.study.moving.trials import Trials
from simfs.study.moving.watch import Watch


@dataclass(frozen=True, slots=True)
class Moved:
    """A scenario that was run on its own store and on the other one, with what was seen of both."""

    was: Run
    run: Run
    before: Watch
    after: Watch
    places: Places
    trials: Trials
