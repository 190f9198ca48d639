"""What no region takes, and the largest store that leaves all other regions where they are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from simfs.flash.datasheet import Datasheet
from simfs.replay.scenario.regions.placing import Placed, rounded_up


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of the chip; `end_bytes` is the first byte behind it."""

    start_bytes: int
    end_bytes: int

    @property
    def size_bytes(self) -> int:
        return self.end_bytes - self.start_bytes


def free_stretches(placed: Iterable[Placed], sheet: Datasheet) -> list[Stretch]:
    """What no region takes, by address. The regions are sound."""
    found, at = [], 0
    for one in sorted(placed, key=lambda one: one.start_bytes):
        if one.start_bytes > at:
            found.append(Stretch(at, one.start_bytes))
        at = one.end_bytes
    return found + ([Stretch(at, sheet.size_bytes)] if at < sheet.size_bytes else [])


def largest_store(placed: Sequence[Placed], sheet: Datasheet) -> Stretch:
    """Where the store could be largest, every other region staying where it is: the first of the longest stretches."""
    store = _store_of(placed)
    align = store.region.align or sheet.block_bytes
    free = free_stretches([one for one in placed if one is not store], sheet)
    fitting = [Stretch(rounded_up(one.start_bytes, align), one.end_bytes) for one in free]
    return max(fitting, key=lambda one: one.size_bytes)


def store_of_size(size_bytes: int, placed: Sequence[Placed], sheet: Datasheet) -> int | None:
    """Where a store of this size begins: where it begins now if that leaves all other regions as they are, else at the
    start of the longest stretch. None where it fits nowhere."""
    now = _store_of(placed)
    free = free_stretches([one for one in placed if one is not now], sheet)
    around = next(one for one in free if one.start_bytes <= now.start_bytes < one.end_bytes)
    if now.start_bytes + size_bytes <= around.end_bytes:
        return now.start_bytes
    largest = largest_store(placed, sheet)
    return largest.start_bytes if size_bytes <= largest.size_bytes else None


def _store_of(placed: Sequence[Placed]) -> Placed:
    return next(one for one in placed if one.region.holds == "store")
