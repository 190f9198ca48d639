"""A recording as it is replayed for a move: on stores that are made for it, again and again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from simfs.files.contract import AnyStore
from simfs.replay.device.device import Run
from simfs.replay.device.observer import Observer
from simfs.replay.play import make_store
from simfs.replay.recorded.console.log import is_console_log, replay_console_log
from simfs.replay.recorded.source import Progress
from simfs.replay.recorded.strace.recording import is_recording, replay_recording
from simfs.replay.scenario.tables import Scenario
from simfs.study.moving.trials import Trials
from simfs.study.moving.watch import Watch


class Recording(NamedTuple):
    """The file of a recording; `directory` as strace named the one that stands for the store, None: to be found."""

    path: str
    directory: str | None
    progress: Progress | None

    @property
    def is_console(self) -> bool:
        return not is_recording(self.path)

    def is_one(self) -> bool:
        """Whether the file is a recording at all."""
        return is_recording(self.path) or is_console_log(self.path)

    def on(self, scenario: Scenario) -> Run:
        """Replayed on a new store as the scenario describes it."""
        return self.replayed(make_store(scenario))

    def replayed(self, store: AnyStore, observers: Iterable[Observer] = ()) -> Run:
        """Replayed on this store. `BadRecording`, `OSError`."""
        if self.is_console:
            return replay_console_log(self.path, store, progress=self.progress, observers=observers)
        return replay_recording(self.path, store, directory=self.directory, progress=self.progress, observers=observers)


@dataclass(frozen=True, slots=True)
class RecordedMove:
    """A recording that was replayed on the new store, with what was seen."""

    recording: Recording
    run: Run
    watch: Watch
    scenario: Scenario  # of which only the store counts
    trials: Trials

    def line_of(self, name: str) -> int:
        """The first line on which the file has this name; 1 where none is known."""
        lines = [deeds.line for (place, _), deeds in self.watch.deeds.items() if place == name]
        return min(lines, default=1)
