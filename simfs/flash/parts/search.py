"""Finds parts of the catalogue by their figures."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from simfs.flash.datasheet import Datasheet


@dataclass(frozen=True, slots=True)
class Range:
    """From `least` to `most`, both included; None is no bound."""

    least: int | None = None
    most: int | None = None

    def holds(self, number: int) -> bool:
        return (self.least is None or number >= self.least) and (self.most is None or number <= self.most)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a part has to be: its size (one of them, if it comes in several), erase block, rated cycles, its kinds, and
    a piece of its name, in capitals or not."""

    size_bytes: Range = Range()
    block_bytes: Range = Range()
    cycles: Range = Range()
    serial: bool = False
    built_in: bool = False
    name: str = ""

    def fits(self, part: Datasheet) -> bool:
        return (
            any(map(self.size_bytes.holds, part.sizes_bytes or (part.size_bytes,)))
            and self.block_bytes.holds(part.block_bytes)
            and self.cycles.holds(part.rated_cycles)
            and (part.serial or not self.serial)
            and (part.built_in or not self.built_in)
            and self.name.casefold() in part.name.casefold()
        )


def found(parts: Iterable[Datasheet], wanted: Wanted) -> Iterator[Datasheet]:
    """The parts that fit, in their order."""
    return filter(wanted.fits, parts)
