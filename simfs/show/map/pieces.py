"""A flash map as the row of pieces that both drawings show: regions, and between them what is free."""

from __future__ import annotations

from typing import NamedTuple

from simfs.replay.scenario.quantities import format_size
from simfs.show import units
from simfs.study.flash_map import FlashMap, MappedRegion

FREE = "free"


class Piece(NamedTuple):
    """A region, or a stretch that no region takes. `notes` say what is left in it, and how long it lasts."""

    name: str
    holds: str
    start_bytes: int
    size_bytes: int
    notes: tuple[str, ...]

    @property
    def end_bytes(self) -> int:
        return self.start_bytes + self.size_bytes


def pieces(drawn: FlashMap) -> list[Piece]:
    """All of the chip, by address."""
    found = [
        Piece(one.name, one.holds, one.start_bytes, one.size_bytes, _notes(one, drawn.releases_planned))
        for one in drawn.regions
    ]
    found += [Piece(f"({FREE})", FREE, one.start_bytes, one.size_bytes, ()) for one in drawn.free]
    return sorted(found, key=lambda piece: piece.start_bytes)


def address(at: int, chip_bytes: int) -> str:
    """In hexadecimal, as wide as that of the chip's end."""
    return f"0x{at:0{len(f'{chip_bytes:x}')}x}"


def _notes(one: MappedRegion, releases: int) -> tuple[str, ...]:
    found = []
    if one.used_bytes is not None and one.used_later_bytes is not None and one.left_bytes is not None:
        grown = f", {units.size(one.used_later_bytes)} after {units.counted(releases, 'more release')}"
        grown = grown if one.used_later_bytes != one.used_bytes else ""
        found.append(f"{units.size(one.used_bytes)} used{grown}: {units.size(one.left_bytes)} left")
    if one.erased_every_ns is not None and one.life_ns is not None:
        pace = f"each block erased every {units.time(one.erased_every_ns)}"
        found.append(f"{pace}: {units.years(one.life_ns)} to {one.rated_cycles:,} cycles")
    return tuple(found)


def proposal(drawn: FlashMap) -> tuple[str, str]:
    """The largest store that keeps all other regions where they are: a sentence, and the keys to write for it, if
    that is another one than now."""
    largest = drawn.largest_store
    now = next(one for one in drawn.regions if one.holds == "store")
    if now.size_bytes >= largest.size_bytes:
        return "The store is as large as the other regions let it be.", ""
    size = format_size(largest.size_bytes)
    keys = f'start = "{address(largest.start_bytes, drawn.chip_bytes)}", size = "{size}"'
    than = f"the store can have {size}, and it has {format_size(now.size_bytes)} now:"
    return f"With all other regions where they are, {than}", keys
