"""The sector map table, FF81h: which parts of the flash have which erase types.

A list of descriptors: the commands by which a part says how it is set up, then a map for each way. A command's answer
masked is a bit of the index, the first command's the highest; the map whose number is the index counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simfs.sfdp.fields import Dword, Field, Reading, readings
from simfs.sfdp.words import code, count, flag, one_of, size

SECTOR_MAP_ID = 0xFF81
REGION_UNIT_BYTES = 256


@dataclass(frozen=True, slots=True)
class Region:
    """A stretch of the flash, from the end of the one before: its size, and the numbers of its erase types."""

    size_bytes: int
    erase_types: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Map:
    """The regions of one way in which the part is set up."""

    number: int
    regions: tuple[Region, ...]

    @property
    def size_bytes(self) -> int:
        return sum(region.size_bytes for region in self.regions)


@dataclass(frozen=True, slots=True)
class SectorMap:
    """All of the table. `fault` says why it ended early, and is empty if it didn't."""

    commands: int
    maps: tuple[Map, ...]
    readings: tuple[Reading, ...]
    fault: str = ""


def _types_words(bits: int) -> str:
    found = [str(number) for number in _types(bits)]
    return ", ".join(found) if found else "none"


def _types(bits: int) -> tuple[int, ...]:
    return tuple(number for number in (1, 2, 3, 4) if bits >> number - 1 & 1)


def region_bytes(units_less_1: int) -> int:
    """The size of a region that says so."""
    return (units_less_1 + 1) * REGION_UNIT_BYTES


_KIND = (
    Field("last", 0, 0, "last of its kind", flag("yes", "no")),
    Field("is_map", 1, 1, "kind", flag("map", "command")),
)
COMMAND = Dword(
    *_KIND,
    Field("opcode", 15, 8, "command", code),
    Field("waits", 19, 16, "wait clocks", lambda clocks: "as set up" if clocks == 15 else count(clocks)),
    Field("address_bytes", 23, 22, "address bytes", one_of({0: "none", 1: "3", 2: "4", 3: "as set up"})),
    Field("mask", 31, 24, "bits of the answer that count", code),
)
ADDRESS = Dword(Field("address", 31, 0, "address", lambda at: f"{at:08X}h"))
MAP = Dword(
    *_KIND,
    Field("number", 15, 8, "number of the map"),
    Field("regions_less_1", 23, 16, "regions", lambda more: count(more + 1)),
)
REGION = Dword(
    Field("erase_types", 3, 0, "erase types", _types_words),
    Field("units_less_1", 31, 8, "size", lambda units: size(region_bytes(units))),
)


def parse_sector_map(dwords: Sequence[int]) -> SectorMap:
    """The sector map in a table's DWORDs."""
    commands, at = 0, 0
    maps: list[Map] = []
    found: list[Reading] = []
    while at < len(dwords):
        is_map = bool(MAP.parse(dwords[at])["is_map"])
        layout = _map_layout(dwords[at]) if is_map else (COMMAND, ADDRESS)
        here = readings(layout, dwords[at : at + len(layout)], at + 1)
        found += here
        if at + len(layout) > len(dwords):
            what = f"DWORD {at + 1} begins a {'map' if is_map else 'command'} of {len(layout)} DWORDs"
            return SectorMap(commands, tuple(maps), tuple(found), f"{what}, and the table ends with {len(dwords)}")
        last = bool(MAP.parse(dwords[at])["last"])
        if is_map:
            maps.append(_map(dwords[at : at + len(layout)]))
        else:
            commands += 1
        at += len(layout)
        if is_map and last:
            return SectorMap(commands, tuple(maps), tuple(found))
    return SectorMap(commands, tuple(maps), tuple(found), "no map is marked as the last one")


def _map_layout(head: int) -> tuple[Dword, ...]:
    return (MAP, *[REGION] * (MAP.parse(head)["regions_less_1"] + 1))


def _map(dwords: Sequence[int]) -> Map:
    regions = [REGION.parse(dword) for dword in dwords[1:]]
    return Map(
        MAP.parse(dwords[0])["number"],
        tuple(Region(region_bytes(one["units_less_1"]), _types(one["erase_types"])) for one in regions),
    )
