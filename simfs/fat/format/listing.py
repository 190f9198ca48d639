"""From the slots of a directory to its files and directories, each with its long name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import NamedTuple

from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.format.entries import LABEL, LongPart, Short, Slot, slots_of
from simfs.fat.format.layout import ENTRY_BYTES
from simfs.fat.format.names import checksum, folded, is_long_name, long_text, short_text

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


class View(NamedTuple):
    """Some sectors of a directory in a row: what they list, each by its long and its short name, in one case; whether
    the directory ends there, and whether nothing of them belongs to what stands behind."""

    entries: tuple[Entry, ...]
    by_name: Mapping[str, Entry]
    ends: bool
    is_whole: bool


@lru_cache(1024)
def viewed(sectors: tuple[int, ...], raw: bytes) -> View:
    """The view of these sectors, which are `raw` together. Of two equal names the first counts."""
    slots: list[tuple[Place, Slot]] = []
    ends = False
    for number, sector in enumerate(sectors):
        found, ends = slots_of(raw[number * SECTOR_BYTES : (number + 1) * SECTOR_BYTES])
        slots += [((sector, at * ENTRY_BYTES), slot) for at, slot in enumerate(found)]
    entries = list(listed(slots))
    is_whole = not entries or entries[-1].short is not NOBODY
    entries = entries if is_whole else entries[:-1]
    by_name: dict[str, Entry] = {}
    for entry in entries:
        by_name.setdefault(folded(entry.name), entry)
        by_name.setdefault(short_text(entry.short.name), entry)
    return View(tuple(entries), by_name, ends, is_whole)


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
