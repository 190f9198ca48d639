"""What became of the readings of a device that has flash and a card."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.fat.checking.mend import mend
from simfs.files.both.pair import Pair
from simfs.files.both.slot import Pull
from simfs.study.card_cuts.views import View, lost_bytes, view_of


@dataclass(frozen=True, slots=True)
class PullWork:
    """The card went in the middle of an operation. `lost` is what the card does not have any more, once it is mended,
    of what it had before that operation.

    torn           it went within the write of a sector, which can't be read
    faults         what a check finds, before it is mended
    lost_files     files that lost something
    lost_readings  readings that were on the card alone
    """

    at_ns: int
    sectors_written: int
    torn: bool
    faults: tuple[str, ...]
    lost_files: int
    lost_bytes: int
    lost_readings: int


@dataclass(frozen=True, slots=True)
class BothWork:
    """Counts of the run. A reading is what one write of the firmware hands over.

    role           "mirror" or "buffer"
    written        readings that the flash took; refused: that it did not
    only_on_flash  of them, on the flash alone at the end; most: at once
    card_outs      how often the card was taken out
    card_refused   operations that the card refused although it was in
    pulls          how it went in the middle of an operation
    """

    role: str
    written: int
    refused: int
    only_on_flash: int
    only_on_flash_most: int
    card_outs: int
    card_refused: int
    pulls: tuple[PullWork, ...]

    @property
    def lost_with_card(self) -> int:
        """Readings that were on the card alone, and are not there any more."""
        return sum(pull.lost_readings for pull in self.pulls)

    @property
    def lost_readings(self) -> int:
        """Those, and the ones that the flash refused."""
        return self.refused + self.lost_with_card


def both_work(pair: Pair, start_ns: int) -> BothWork:
    """What became of the readings; times are since the run's start."""
    readings = pair.readings
    return BothWork(
        pair.role, readings.written, readings.refused, readings.only_on_flash, readings.waiting_most, pair.slot.outs,
        readings.card_refused, tuple(_pull_work(pull, pair, start_ns) for pull in pair.slot.pulls),
    )  # fmt: skip


def _pull_work(pull: Pull, pair: Pair, start_ns: int) -> PullWork:
    config, left = pair.card.config, pull.left.copy()
    before = view_of(pull.before.copy(), config, View(), ()).files
    faults = tuple(dict.fromkeys(fault.kind for fault in view_of(left, config, View(), (), before).faults))
    mend(left)
    found = view_of(left, config, View(), (), before)
    lost = lost_bytes(before, before, found)
    readings = sum(_lost_of(pull.sizes.get(name, ()), before[name], found.files.get(name)) for name in lost)
    return PullWork(
        pull.at_ns - start_ns, pull.sectors_written, pull.torn, faults, len(lost), sum(lost.values()), readings
    )


def _lost_of(sizes: tuple[int, ...], old: bytes | None, now: bytes | None) -> int:
    """How many of the readings that a file was made of are not as they were."""
    at = lost = 0
    for size in sizes:
        lost += (old or b"")[at : at + size] != (now or b"")[at : at + size]
        at += size
    return lost
