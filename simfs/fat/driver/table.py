"""The table through the window: links, the search for a free cluster, the hints of FAT32."""

from __future__ import annotations

import errno
import os
import struct
from collections.abc import Iterator
from contextlib import suppress
from functools import lru_cache

from simfs.fat.card.card import BLANK, Unreadable
from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.driver.window import Window
from simfs.fat.format.errors import BadVolume
from simfs.fat.format.layout import Layout, hints, read_hints
from simfs.fat.format.table_entries import MASK32

FREE = 0
PER_SECTOR = {16: 256, 32: 128}


@lru_cache(256)
def _entries16(sector: bytes) -> tuple[int, ...]:
    return struct.unpack("<256H", sector)


@lru_cache(256)
def _entries32(sector: bytes) -> tuple[int, ...]:
    return tuple(entry & MASK32 for entry in struct.unpack("<128I", sector))


class Table:
    """Entries by cluster. `used` is a model's figure, at no cost to the card."""

    def __init__(self, window: Window, layout: Layout) -> None:
        self.layout = layout
        self._window = window
        self._start = layout.table_starts[0]
        self._last, self._end_least = layout.last_cluster, layout.end_least
        self._last_given = 1
        self._free_hint: int | None = None
        self._hints_changed = False
        self._entries_of = _entries32 if layout.bits == 32 else _entries16
        self._used: int | None = None

    @property
    def used(self) -> int:
        """So many clusters are taken. Counted when it is asked for first."""
        if self._used is None:
            self._used = self._count_used()
        return self._used

    def take_hints(self) -> None:
        """Read the hints of FAT32: one read. FAT12 and FAT16 have none."""
        if self.layout.info_sector:
            with suppress(Unreadable):  # they are hints
                free, last = read_hints(self._window.card.read(self.layout.info_sector), self.layout)
                self._free_hint, self._last_given = free, last or 1

    def take(self, other: Table) -> None:
        """Know what another one knows of the same table."""
        self._last_given, self._free_hint, self._used = other._last_given, other._free_hint, other._used
        self._hints_changed = other._hints_changed

    def put_hints(self) -> None:
        """Write the hints of FAT32 if they have changed: one write."""
        if self._hints_changed and self.layout.info_sector:
            self._window.card.write(self.layout.info_sector, hints(self._free_hint, self._last_given))
        self._hints_changed = False

    def get(self, cluster: int) -> int:
        """The entry of a cluster."""
        bits = self.layout.bits
        if bits == 16:
            data = self._window.load(self._start + (cluster >> 8))
            at = (cluster & 0xFF) * 2
            return data[at] | data[at + 1] << 8
        if bits == 32:
            data = self._window.load(self._start + (cluster >> 7))
            entry: int = struct.unpack_from("<I", data, (cluster & 0x7F) * 4)[0]
            return entry & MASK32
        at = cluster + cluster // 2
        word = self._byte(at) | self._byte(at + 1) << 8
        return word >> 4 if cluster & 1 else word & 0xFFF

    def set(self, cluster: int, value: int) -> None:
        """Change an entry. FAT32 keeps the upper four bits, FAT12 the half byte of the neighbour."""
        bits = self.layout.bits
        if bits == 16:
            struct.pack_into("<H", self._window.change(self._start + (cluster >> 8)), (cluster & 0xFF) * 2, value)
        elif bits == 32:
            data, at = self._window.change(self._start + (cluster >> 7)), (cluster & 0x7F) * 4
            kept = struct.unpack_from("<I", data, at)[0] & ~MASK32
            struct.pack_into("<I", data, at, kept | value)
        else:
            at = cluster + cluster // 2
            word = self._byte(at) | self._byte(at + 1) << 8
            word = word & 0x000F | value << 4 if cluster & 1 else word & 0xF000 | value
            self._put_byte(at, word & 0xFF)
            self._put_byte(at + 1, word >> 8)

    def next(self, cluster: int) -> int:
        """The cluster after this one; 0 at the end of the chain. BadVolume where the entry is no link."""
        return self._link(cluster, self.get(cluster))

    def follow(self, cluster: int, steps: int) -> int:
        """The cluster so many links on; 0 where the chain is shorter. BadVolume where an entry is no link."""
        each = PER_SECTOR.get(self.layout.bits, 0)
        while steps and cluster:
            if not each or steps == 1:
                cluster, steps = self.next(cluster), steps - 1
                continue
            begin = cluster // each * each
            entries = self._entries_of(bytes(self._window.load(self._start + cluster // each)))
            while steps and begin <= cluster < begin + each:
                entry = entries[cluster - begin]
                cluster = entry if 2 <= entry <= self._last else self._link(cluster, entry)
                steps -= 1
        return cluster

    def hold(self, cluster: int, what: str) -> None:
        """BadVolume where this is no cluster."""
        if not 2 <= cluster <= self._last:
            raise BadVolume(f"{what} is {cluster:,}; a cluster is 2 to {self._last:,}")

    def _link(self, cluster: int, entry: int) -> int:
        if entry >= self._end_least:
            return 0
        if not 2 <= entry <= self._last:
            self.hold(entry, f"the entry of cluster {cluster:,}")
        return entry

    def chain(self, first: int) -> Iterator[int]:
        """The clusters of a chain. BadVolume where it leads astray or round in a circle."""
        cluster, steps = first, 0
        while cluster:
            steps += 1
            if steps > self.layout.cluster_count:
                raise BadVolume(f"the chain from cluster {first:,} goes round in a circle")
            yield cluster
            cluster = self.next(cluster)

    def allocate(self, after: int) -> int:
        """A free cluster, marked as the end of a chain and then linked behind `after`, if that is no 0. ENOSPC."""
        cluster = self._find_free()
        self.set(cluster, self.layout.end_of_chain)
        if after:
            self.set(after, cluster)
        self._note_given(cluster, 1)
        return cluster

    def release(self, first: int) -> None:
        """Free a chain, from its first cluster on; where it leads astray, what is before."""
        cluster = first
        while 2 <= cluster <= self.layout.last_cluster:
            entry = self.get(cluster)
            if entry == FREE:
                return
            self.set(cluster, FREE)
            self._note_given(self._last_given, -1)
            cluster = entry if entry < self.layout.bad else 0

    def _note_given(self, last: int, count: int) -> None:
        if self._used is not None:
            self._used += count
        self._last_given, self._hints_changed = last, True
        if self._free_hint is not None:
            self._free_hint = max(0, self._free_hint - count)

    def _find_free(self) -> int:
        """The first free cluster behind the one given out last, else from the beginning."""
        last, begin = self.layout.last_cluster, min(self._last_given + 1, self.layout.last_cluster)
        for least, most in ((begin, last), (2, begin - 1)):
            found = self._first_free(least, most) if self.layout.bits != 12 else self._first_free_of_12(least, most)
            if found:
                return found
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _first_free(self, least: int, most: int) -> int:
        each = PER_SECTOR[self.layout.bits]
        for number in range(least // each, most // each + 1):
            begin = number * each
            entries = self._entries_of(bytes(self._window.load(self._start + number)))
            try:
                found = begin + entries.index(FREE, max(0, least - begin))
            except ValueError:
                continue
            return found if found <= most else 0
        return 0

    def _first_free_of_12(self, least: int, most: int) -> int:
        return next((cluster for cluster in range(least, most + 1) if self.get(cluster) == FREE), 0)

    def _byte(self, at: int) -> int:
        return self._window.load(self._start + at // SECTOR_BYTES)[at % SECTOR_BYTES]

    def _put_byte(self, at: int, value: int) -> None:
        self._window.change(self._start + at // SECTOR_BYTES)[at % SECTOR_BYTES] = value

    def _look(self, sector: int) -> bytes:
        try:
            return self._window.card.look(sector)
        except Unreadable:
            return BLANK

    def _count_used(self) -> int:
        look, count, last = self._look, 0, self.layout.last_cluster
        if self.layout.bits == 12:
            table = b"".join(look(self._start + number) for number in range(self.layout.table_sectors))
            return sum(
                int.from_bytes(table[at + at // 2 : at + at // 2 + 2], "little") >> 4 * (at & 1) & 0xFFF != FREE
                for at in range(2, last + 1)
            )
        each = PER_SECTOR[self.layout.bits]
        for number in range(last // each + 1):
            data = look(self._start + number)
            if data is not BLANK:
                entries = self._entries_of(data)[: last + 1 - number * each]
                count += len(entries) - entries.count(FREE)
        return count - 2
