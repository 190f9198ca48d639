"""A block that holds frames, as a mount finds it."""

from __future__ import annotations

from dataclasses import dataclass
from operator import attrgetter

from simfs.store.format.codec import Seal
from simfs.store.format.runs import Entry, RunTable
from simfs.store.log.block_scan import Frames

by_base = attrgetter("base", "tries")  # of a header, or a block with frames: the newest of a head comes last


@dataclass(slots=True)
class Used:
    """A block that holds frames, as a mount found it.

    stated         the bytes of its open record, empty unless that is sound
    entries        its runs: as the seal lists them, else by its frames, once `take` was given them
    next_sequence  the sequence number that one more frame would have had
    newest         that of its newest frame that is no MARK
    """

    block: int
    start: int
    base: int
    head: int
    tries: int
    stated: bytes
    seal: Seal | None
    entries: list[Entry]
    found: Frames | None = None
    next_sequence: int = 0
    newest: int = -1

    @property
    def holds_frames(self) -> bool:
        """A block opened without a sound frame is no head: a cut while opening."""
        return self.seal is not None or bool(self.found and self.found.frames)

    def distrust_seal(self, found: Frames) -> None:
        """Note that its head left it without a seal. What reads as one was cut without a trace, and may be gone
        tomorrow."""
        self.seal, self.found = None, found

    def take(self, table: RunTable) -> None:
        """Take over its frames, and find the runs from them."""
        self.entries = [run.entry(self.start) for run in table.runs]
        self.next_sequence = self.base + table.next_order
        self.newest = self.base + table.newest_order
