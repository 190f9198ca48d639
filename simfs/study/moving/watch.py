"""Follows a run and adds up what each place of the file does: operations, refusals, bytes and what the medium does."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from simfs.files.contract import AnyStore, Mark
from simfs.replay.device.observer import BOOT_TASK, IDLE_TASK, Observer, RecordedCall

NAMES_KEPT = 1000

Place = Callable[[str, str, str], str]
"""The place that an operation belongs to, by its task, its own name and the file's."""


@dataclass(slots=True)
class Deeds:
    """What one place did. `names` has how often each of the first files was dealt with."""

    place: str
    operation: str
    line: int = 0  # of the first, in a recording
    count: int = 0
    host_bytes: int = 0
    programs: int = 0
    erases: int = 0
    refused: Counter[int] = field(default_factory=Counter)  # by errno
    refused_names: dict[int, str] = field(default_factory=dict)  # the first of each
    refused_lines: dict[int, int] = field(default_factory=dict)
    names: Counter[str] = field(default_factory=Counter)


class Watch(Observer):
    """Adds up the deeds of each place. Operations within others count for the inner one alone."""

    def __init__(self, place: Place) -> None:
        self._place = place
        self.deeds: dict[tuple[str, str], Deeds] = {}  # by place and operation
        self.calls: list[RecordedCall] = []
        self._line = 0
        self._open: list[tuple[Mark, int]] = []

    def run_begins(self, store: AnyStore) -> AnyStore:
        """The medium's counters and the store's meters go on over boots."""
        self.medium, self._meters = store.medium, store.meters
        return store

    @property
    def programs(self) -> int:
        return sum(deeds.programs for deeds in self.deeds.values())

    def at_line(self, line: int) -> None:
        self._line = line

    def called(self, call: RecordedCall) -> None:
        self.calls.append(call)

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self._open.append((self.medium.mark(), self._meters.host_bytes))

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        mark, host_bytes = self._open.pop()
        if task in (BOOT_TASK, IDLE_TASK):
            return
        place = self._place(task, operation, name)
        deeds = self.deeds.get((place, operation))
        if deeds is None:
            deeds = self.deeds[place, operation] = Deeds(place, operation, self._line)
        _, _, programs, _, erases, *_ = self.medium.since(mark)
        deeds.count += 1
        deeds.host_bytes += self._meters.host_bytes - host_bytes
        deeds.programs += programs
        deeds.erases += erases
        if name in deeds.names or len(deeds.names) < NAMES_KEPT:
            deeds.names[name] += 1
        if refused:
            deeds.refused[refused] += 1
            deeds.refused_names.setdefault(refused, name)
            deeds.refused_lines.setdefault(refused, self._line)
