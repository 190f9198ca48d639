"""A new, empty volume: its type and cluster size by its size, and the sectors that say so."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.format.layout import (
    BOOT,
    BOOT32,
    ENTRY_BYTES,
    FAT12_CLUSTERS_MAX,
    FAT16_CLUSTERS_MAX,
    SIGNATURE,
    Layout,
    hints,
)
from simfs.fat.format.table_entries import packed

MEDIA = 0xF8
COPIES = 2
LABEL = b"NO NAME    "
MARGIN = 16  # clusters to stay away from where the type changes: readers disagree there
SMALL_SECTORS, LARGE_SECTORS = 8_400, 1_048_576  # FAT12 up to the first, FAT32 from the second on
CLUSTER_BY_SIZE = {  # sectors per cluster of volumes up to so many sectors, after the FAT32 specification
    16: ((32_680, 2), (262_144, 4), (524_288, 8), (1_048_576, 16), (2_097_152, 32), (4_190_208, 64)),
    32: ((532_480, 1), (16_777_216, 8), (33_554_432, 16), (67_108_864, 32), (1 << 32, 64)),
}
CLUSTERS = {12: (1, FAT12_CLUSTERS_MAX), 16: (FAT12_CLUSTERS_MAX + 1, FAT16_CLUSTERS_MAX), 32: (65_525, 0x0FFFFFF4)}


@dataclass(frozen=True, slots=True)
class _Kind:
    """What the types of volume differ in."""

    bits: int
    reserved: int
    root_entries: int


KINDS = (_Kind(12, 1, 512), _Kind(16, 1, 512), _Kind(32, 32, 0))


def plan(total_sectors: int, cluster_bytes: int | None = None) -> Layout:
    """The layout of a new volume: FAT12 up to 4.1 MB, FAT32 from 512 MiB on, FAT16 between; `cluster_bytes` may change
    that. ValueError says what would be right."""
    usual = KINDS[0] if total_sectors <= SMALL_SECTORS else KINDS[1] if total_sectors < LARGE_SECTORS else KINDS[2]
    if cluster_bytes is None:
        found = _usual_layout(total_sectors, usual)
        if found is not None:
            return found
        raise ValueError("a volume needs at least 64 sectors, 32 KiB")
    cluster, rest = divmod(cluster_bytes, SECTOR_BYTES)
    if rest or cluster.bit_count() != 1 or cluster > 64:
        raise ValueError(f"a cluster of {cluster_bytes} bytes: it is 512 B, 1 KiB, 2 KiB ... 32 KiB")
    for kind in (usual, *KINDS):
        layout = _layout(total_sectors, cluster, kind)
        if layout is not None:
            return layout
    raise ValueError(f"clusters of {cluster_bytes} bytes fit no type of volume at {total_sectors:,} sectors")


def _usual_layout(total_sectors: int, kind: _Kind) -> Layout | None:
    if kind.bits == 12:
        each = (_layout(total_sectors, cluster, kind) for cluster in (1, 2, 4, 8))
        return next((layout for layout in each if layout is not None), None)
    cluster = next(cluster for limit, cluster in CLUSTER_BY_SIZE[kind.bits] if total_sectors <= limit)
    return _layout(total_sectors, cluster, kind)


def _layout(total_sectors: int, cluster: int, kind: _Kind) -> Layout | None:
    """None where the number of clusters is not one of this type."""
    root_sectors = kind.root_entries * ENTRY_BYTES // SECTOR_BYTES
    table_sectors = 1
    while True:
        root_start = kind.reserved + COPIES * table_sectors
        clusters = (total_sectors - root_start - root_sectors) // cluster
        if (clusters + 2) * kind.bits <= table_sectors * SECTOR_BYTES * 8:
            break
        table_sectors += 1
    least, most = CLUSTERS[kind.bits]
    if not (least if least == 1 else least + MARGIN) <= clusters <= most - MARGIN:
        return None
    is_32 = kind.bits == 32
    tables = tuple(kind.reserved + number * table_sectors for number in range(COPIES))
    return Layout(
        kind.bits, 0, total_sectors, cluster, tables, table_sectors, root_start, root_sectors, 2 if is_32 else 0,
        root_start + root_sectors, 1 if is_32 else 0, 6 if is_32 else 0, MEDIA,
    )  # fmt: skip


def new_volume(layout: Layout, serial: int = 0x1D0C_2E57) -> Iterator[tuple[int, bytes]]:
    """The sectors of an empty volume: boot sector, hints, all copies of the table, the root."""
    boot = _boot(layout, serial)
    yield layout.start, boot
    if layout.bits == 32:
        info = hints(layout.cluster_count - 1, layout.root_cluster)
        third = bytes(510) + SIGNATURE
        for at in (layout.start, layout.start + layout.backup_sector):
            yield from ((at, boot), (at + layout.info_sector, info), (at + 2, third))
    first = [layout.end_of_chain - 0xFF + layout.media, layout.end_of_chain]
    if layout.root_cluster:
        first.append(layout.end_of_chain)
    for start in layout.table_starts:
        yield start, packed(first, layout.bits).ljust(SECTOR_BYTES, b"\0")
        for sector in range(start + 1, start + layout.table_sectors):
            yield sector, bytes(SECTOR_BYTES)
    root = layout.first_sector(layout.root_cluster) if layout.root_cluster else layout.root_start
    for sector in range(root, root + (layout.root_sectors or layout.sectors_per_cluster)):
        yield sector, bytes(SECTOR_BYTES)


def _boot(layout: Layout, serial: int) -> bytes:
    is_32, total = layout.bits == 32, layout.total_sectors
    small, boot = not is_32 and total < 1 << 16, bytearray(SECTOR_BYTES)
    BOOT.pack_into(
        boot, 0, b"\xeb\x58\x90" if is_32 else b"\xeb\x3c\x90", b"simfs   ", SECTOR_BYTES, layout.sectors_per_cluster,
        layout.table_starts[0] - layout.start, len(layout.table_starts),
        layout.root_sectors * (SECTOR_BYTES // ENTRY_BYTES), total if small else 0, layout.media,
        0 if is_32 else layout.table_sectors, 63, 255, layout.start, 0 if small else total,
    )  # fmt: skip
    at = 36
    if is_32:
        BOOT32.pack_into(
            boot, at, layout.table_sectors, 0, 0, layout.root_cluster, layout.info_sector, layout.backup_sector
        )
        at = 64
    text = {12: b"FAT12   ", 16: b"FAT16   ", 32: b"FAT32   "}[layout.bits]
    struct.pack_into("<BBBI11s8s", boot, at, 0x80, 0, 0x29, serial, LABEL, text)
    boot[510:] = SIGNATURE
    return bytes(boot)
