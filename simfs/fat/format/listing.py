"""From the slots of a directory to its files and directories, each with its long name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import NamedTuple

from simfs.fat.format.entries import LABEL, LongPart, Short, Slot
from simfs.fat.format.names import checksum, is_long_name, long_text, short_text

Place = tuple[int, int]
"""A sector, and where in it an entry begins."""

DOTS = (b".          ", b"..         ")


class Entry(NamedTuple):
    """A file or directory: its name, its short entry, where its entries stand (the short one is the last), and pieces
    of a long name before it that belong to nobody."""

    name: str
    short: Short
    places: tuple[Place, ...]
    strays: tuple[Place, ...] = ()

    @property
    def place(self) -> Place:
        return self.places[-1]


def listed(slots: Iterable[tuple[Place, Slot]]) -> Iterator[Entry]:
    """Every file and directory, without labels and dots. A long name whose order or checksum is wrong, or that no
    file can have, is none."""
    parts: list[LongPart] = []
    places: list[Place] = []
    strays: list[Place] = []
    for place, slot in slots:
        if isinstance(slot, LongPart):
            if slot.is_last:
                strays += places
                parts, places = [], []
            parts.append(slot)
            places.append(place)
            continue
        long = long_name(tuple(parts), slot.name) if parts and slot is not None else ""
        if not long:
            strays, places = strays + places, []
        if slot is not None and not slot.attributes & LABEL and slot.name not in DOTS:
            yield Entry(long or short_text(slot.name, slot.lower), slot, (*places, place), tuple(strays))
            strays = []
        parts, places = [], []
    if strays + places:
        yield Entry("", NOBODY, (*strays, *places), (*strays, *places))


NOBODY = Short(b"", 0, 0, 0, 0)
"""In place of a short entry, behind pieces of a long name that stand last in a directory."""


@lru_cache(4096)
def long_name(parts: tuple[LongPart, ...], short: bytes) -> str:
    """The long name that the pieces before a short entry make; "" where they make none."""
    if not parts[0].is_last:
        return ""
    numbers, check = [part.number for part in parts], checksum(short)
    if numbers != list(range(len(parts), 0, -1)) or any(part.checksum != check for part in parts):
        return ""
    text = long_text([part.text for part in reversed(parts)])
    return text if is_long_name(text) else ""
