"""Where the parts of a volume lie: read from its boot sector, after the FAT32 specification 1.03 (2000), with every
field that could lead astray held to its bounds."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.format.errors import BadVolume

FAT12_CLUSTERS_MAX = 4084
FAT16_CLUSTERS_MAX = 65_524
FAT32_CLUSTERS_MAX = 0x0FFFFFF4
ENTRY_BYTES = 32
BOOT = struct.Struct("<3s8sHBHBHHBHHHII")  # the fields that all volumes have, up to byte 36
BOOT32 = struct.Struct("<IHHIHH")  # those of FAT32 from byte 36 on
SIGNATURE = b"\x55\xaa"
JUMPS = (0xEB, 0xE9)  # what a boot sector begins with
SECTOR_SIZES = (512, 1024, 2048, 4096)
PARTITIONS_AT = 446
PARTITION_KINDS = {0x01, 0x04, 0x06, 0x0B, 0x0C, 0x0E}
NOT_MIRRORED = 0x80
INFO_LEAD, INFO_BODY, INFO_TAIL = 0x41615252, 0x61417272, 0xAA550000
UNKNOWN = 0xFFFFFFFF

Read = Callable[[int], bytes]


@dataclass(frozen=True, slots=True)
class Layout:
    """Sectors are counted from the start of the card; clusters from 2 to `last_cluster`.

    bits           12, 16 or 32
    table_starts   of each copy of the table that is written; the first is the one that is read
    root_cluster   0 where the root has sectors of its own
    info_sector    where FAT32 keeps its hints; 0: nowhere
    backup_sector  of the boot sector; 0: none
    """

    bits: int
    start: int
    total_sectors: int
    sectors_per_cluster: int
    table_starts: tuple[int, ...]
    table_sectors: int
    root_start: int
    root_sectors: int
    root_cluster: int
    data_start: int
    info_sector: int
    backup_sector: int
    media: int

    @property
    def cluster_count(self) -> int:
        return (self.start + self.total_sectors - self.data_start) // self.sectors_per_cluster

    @property
    def last_cluster(self) -> int:
        return self.cluster_count + 1

    @property
    def cluster_bytes(self) -> int:
        return self.sectors_per_cluster * SECTOR_BYTES

    @property
    def end_of_chain(self) -> int:
        """What is written; any entry from `end_least` on ends a chain."""
        return (1 << min(self.bits, 28)) - 1

    @property
    def end_least(self) -> int:
        return self.end_of_chain - 7

    @property
    def bad(self) -> int:
        return self.end_of_chain - 8

    def first_sector(self, cluster: int) -> int:
        return self.data_start + (cluster - 2) * self.sectors_per_cluster


def read_layout(read: Read, sector_count: int) -> Layout:
    """The layout of the volume on a card: from its first sector on, or in its first partition. BadVolume."""
    if not sector_count:
        raise BadVolume("the card has no sector; a FAT volume has a boot sector")
    boot = read(0)
    start = _partition_start(boot)
    if not start:
        return _layout_of(boot, 0, sector_count)
    if start >= sector_count:
        raise BadVolume(f"sector 0: its partition begins at sector {start:,}, the card has {sector_count:,}")
    return _layout_of(read(start), start, sector_count)


def looks_like_a_volume(boot: bytes) -> bool:
    """Whether a first sector is the boot sector of a FAT volume, or a table of partitions, sound or not."""
    if len(boot) < SECTOR_BYTES:
        return False
    if boot[0] in JUMPS and int.from_bytes(boot[11:13], "little") in SECTOR_SIZES and boot[13].bit_count() == 1:
        return True
    return boot[510:512] == SIGNATURE and (boot[0] in JUMPS or bool(_partitions(boot)))


def _partitions(boot: bytes) -> list[tuple[int, int]]:
    """Of each partition in a table of them: its kind, and where it begins; nothing where the sector is no such
    table."""
    entries = [boot[at : at + 16] for at in range(PARTITIONS_AT, PARTITIONS_AT + 64, 16)]
    if any(entry[0] not in (0x00, 0x80) for entry in entries):
        return []
    return [(entry[4], int.from_bytes(entry[8:12], "little")) for entry in entries if entry[4]]


def _partition_start(boot: bytes) -> int:
    """Where the first FAT partition begins; 0 where the sector is no table of partitions."""
    if boot[510:] != SIGNATURE or (boot[0] in JUMPS and boot[11:13] == SECTOR_BYTES.to_bytes(2, "little")):
        return 0
    partitions = _partitions(boot)
    starts = [start for kind, start in partitions if kind in PARTITION_KINDS]
    if partitions and not starts and boot[0] not in JUMPS:
        kinds = ", ".join(f"{kind:02X}" for kind, _ in partitions)
        raise BadVolume(
            f"sector 0: a table of partitions of the kinds {kinds}; FAT volumes are 01, 04, 06, 0B, 0C or 0E"
        )
    return starts[0] if starts else 0


def _layout_of(boot: bytes, start: int, sector_count: int) -> Layout:
    raw = BOOT.unpack_from(boot)
    sector_bytes, cluster, reserved, copies, root_entries, total16, media, table16 = raw[2:10]
    table32, flags, version, root_cluster, info, backup = BOOT32.unpack_from(boot, 36)
    is_32 = not table16
    total, table_sectors = total16 or raw[13], table16 or table32
    hold = _Holder(start).hold
    hold(boot[510:] == SIGNATURE, "its signature", int.from_bytes(boot[510:], "little"), "43,605 (55 AA) in its end")
    hold(sector_bytes == SECTOR_BYTES, "bytes per sector", sector_bytes, "512 here")
    hold(cluster.bit_count() == 1, "sectors per cluster", cluster, "1, 2, 4 ... 128")
    hold(reserved > 0, "reserved sectors", reserved, "at least 1")
    hold(1 <= copies <= 4, "copies of the table", copies, "1 or 2")
    hold(table_sectors > 0, "sectors per table", table_sectors, "at least 1")
    hold(is_32 or root_entries > 0, "root entries", root_entries, "at least 16")
    hold(not root_entries * ENTRY_BYTES % SECTOR_BYTES, "root entries", root_entries, "whole sectors of them")
    hold(not is_32 or version == 0, "version", version, "0")
    hold(0 < total <= sector_count - start, "total sectors", total, f"at most the {sector_count - start:,} there are")
    tables = [start + reserved + number * table_sectors for number in range(copies)]
    if is_32 and flags & NOT_MIRRORED:
        hold(flags & 15 < copies, "the active copy", flags & 15, f"one of {copies} copies")
        tables = [tables[flags & 15]]
    root_start = start + reserved + copies * table_sectors
    root_sectors = 0 if is_32 else root_entries * ENTRY_BYTES // SECTOR_BYTES
    data_start = root_start + root_sectors
    clusters = (start + total - data_start) // cluster
    bits = 32 if is_32 else 12 if clusters <= FAT12_CLUSTERS_MAX else 16
    _hold_clusters(hold, clusters, bits, table_sectors)
    hold(not is_32 or 2 <= root_cluster <= clusters + 1, "the root's cluster", root_cluster, f"2 to {clusters + 1:,}")
    return Layout(
        bits, start, total, cluster, tuple(tables), table_sectors, root_start, root_sectors,
        root_cluster if is_32 else 0, data_start, start + info if is_32 and 0 < info < reserved else 0,
        start + backup if is_32 and 0 < backup < reserved else 0, media,
    )  # fmt: skip


def _hold_clusters(hold: Callable[[bool, str, int, str], None], clusters: int, bits: int, table_sectors: int) -> None:
    most = FAT16_CLUSTERS_MAX if bits < 32 else FAT32_CLUSTERS_MAX
    hold(0 < clusters <= most, "clusters", clusters, f"1 to {most:,}")
    needed = -(-(clusters + 2) * bits // (SECTOR_BYTES * 8))
    hold(table_sectors >= needed, "sectors per table", table_sectors, f"at least {needed:,} for its clusters")


class _Holder(NamedTuple):
    """Refuses what a volume can't have."""

    sector: int

    def hold(self, right: bool, field: str, found: int, wanted: str) -> None:
        if not right:
            raise BadVolume(f"sector {self.sector:,}: {field}: {found:,}; a FAT volume has {wanted}")


def read_hints(data: bytes, layout: Layout) -> tuple[int | None, int | None]:
    """The count of free clusters and the last one given out, from the sector of hints; None where it does not say, or
    what it says can't be."""
    lead, body, free, last, tail = (
        *struct.unpack_from("<I", data), *struct.unpack_from("<III", data, 484), *struct.unpack_from("<I", data, 508),
    )  # fmt: skip
    if (lead, body, tail) != (INFO_LEAD, INFO_BODY, INFO_TAIL):
        return None, None
    known_free = free if free <= layout.cluster_count else None
    return known_free, last if 2 <= last <= layout.last_cluster else None


def hints(free: int | None, last: int | None) -> bytes:
    """The sector of hints."""
    data = bytearray(SECTOR_BYTES)
    struct.pack_into("<I", data, 0, INFO_LEAD)
    numbers = (UNKNOWN if free is None else free, UNKNOWN if last is None else last)
    struct.pack_into("<III", data, 484, INFO_BODY, *numbers)
    struct.pack_into("<I", data, 508, INFO_TAIL)
    return bytes(data)
