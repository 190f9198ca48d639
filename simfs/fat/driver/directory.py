"""Directories through the window: entries found, added and taken away."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from itertools import islice

from simfs.fat.card.card import BLANK
from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.driver.table import Table
from simfs.fat.driver.window import Window
from simfs.fat.format.entries import (
    DIRECTORY,
    FREE,
    Short,
    dot_entries,
    long_entries,
    set_first_and_size,
    short_entry,
    slots_of,
)
from simfs.fat.format.errors import BadVolume
from simfs.fat.format.layout import ENTRY_BYTES, Layout
from simfs.fat.format.listing import DOTS, Entry, Place, View, viewed
from simfs.fat.format.names import folded, short_alias, short_exactly

SECTORS_MAX = 4096  # 65,536 entries, the most that a directory may have


class Directories:
    """Directories go by their first cluster; 0 is the root."""

    def __init__(self, window: Window, table: Table, layout: Layout) -> None:
        self._window, self._table, self._layout = window, table, layout

    def sectors(self, first: int) -> Iterator[int]:
        """The sectors of a directory. BadVolume where its chain leads astray."""
        layout = self._layout
        if not first and not layout.root_cluster:
            yield from range(layout.root_start, layout.root_start + layout.root_sectors)
            return
        if first:
            self._table.hold(first, "the first cluster of a directory")
        count = 0
        for cluster in self._table.chain(first or layout.root_cluster):
            count += layout.sectors_per_cluster
            if count > max(SECTORS_MAX, layout.sectors_per_cluster):
                raise BadVolume(f"the directory at cluster {first:,} has more than 65,536 entries, or never ends")
            start = layout.first_sector(cluster)
            yield from range(start, start + layout.sectors_per_cluster)

    def entries(self, first: int) -> Iterator[Entry]:
        """Every file and directory. Long names whose order or checksum is wrong are as if they were not there."""
        told = 0
        for view in self._views(first):
            yield from view.entries[told:]
            told = 0 if view.is_whole else len(view.entries)

    def find(self, first: int, name: str) -> Entry | None:
        """The entry of that name, long or short, in any case. Reads up to its sector."""
        wanted = folded(name)
        for view in self._views(first):
            entry = view.by_name.get(wanted)
            if entry is not None:
                return entry
        return None

    def add(self, first: int, name: str, attributes: int, cluster: int, size: int) -> Entry:
        """A new entry, in the first room that is large enough; the directory grows if there is none. What has changed
        last waits in the window. ENOSPC."""
        short = short_exactly(name)
        long = short is None
        if short is None:
            short = short_alias(name, {entry.short.name for entry in self.entries(first)})
        slots = long_entries(name, short) if long else []
        slots.append(short_entry(short, attributes, cluster, size))
        places, after = self._room(first, len(slots))
        for place, slot in zip(places, slots, strict=True):
            sector, at = place
            self._window.change(sector)[at : at + ENTRY_BYTES] = slot
        if after is not None and self._window.load(after[0])[after[1]]:
            self._window.change(after[0])[after[1]] = 0  # the end of the directory moves on
        return Entry(name, Short(short, attributes, 0, cluster, size), tuple(places))

    def remove(self, entry: Entry) -> None:
        """Take the entries away, the short one first. What has changed last waits in the window."""
        for sector, at in reversed(entry.places):
            self._window.change(sector)[at] = FREE

    def make(self, parent: int, name: str) -> int:
        """A new directory: its cluster, then the table, then its entry. ENOSPC."""
        cluster = self._table.allocate(0)
        self._blank(cluster, dot_entries(cluster, parent))
        self._window.flush()
        try:
            self.add(parent, name, DIRECTORY, cluster, 0)
        except OSError:
            self._table.release(cluster)
            self._window.flush()
            raise
        self._window.flush()
        return cluster

    def lead_back(self, first: int, parent: int) -> None:
        """Let the second entry of a directory lead to another one above it. The change waits in the window."""
        sector = self._layout.first_sector(first)
        if self._window.load(sector)[ENTRY_BYTES:].startswith(DOTS[1]):
            set_first_and_size(self._window.change(sector), ENTRY_BYTES, parent, 0)

    def _blank(self, cluster: int, begin: bytes = b"") -> None:
        start = self._layout.first_sector(cluster)
        for sector in range(start + self._layout.sectors_per_cluster - 1, start, -1):
            self._window.write_past(sector, BLANK)
        self._window.write_past(start, begin.ljust(SECTOR_BYTES, b"\0"))

    def _room(self, first: int, count: int) -> tuple[list[Place], Place | None]:
        """Places in a row that are free, and the one behind them if they reach beyond the end of the directory."""
        run: list[Place] = []
        ended = False
        for place, is_free in self._slots(first):
            ended = ended or is_free is None
            if ended or is_free:
                run.append(place)
                if not ended and len(run) == count:
                    return run, None
                if ended and len(run) > count:
                    return run[:count], run[count]
            else:
                run = []
        if len(run) < count:
            run += islice(self._grown(first), count - len(run))
        return run[:count], None

    def _views(self, first: int) -> Iterator[View]:
        """The directory as far as it is read, a sector more each time; what is whole is left out the next time."""
        run: tuple[int, ...] = ()
        raw = b""
        for sector in self.sectors(first):
            run, raw = (*run, sector), raw + self._window.load(sector)
            view = viewed(run, raw)
            yield view
            if view.ends:
                return
            if view.is_whole:
                run, raw = (), b""

    def _slots(self, first: int) -> Iterator[tuple[Place, bool | None]]:
        """Every place of a directory, and whether it is free; None: the directory ends there."""
        for sector in self.sectors(first):
            slots, _ = slots_of(bytes(self._window.load(sector)))
            for number in range(SECTOR_BYTES // ENTRY_BYTES):
                yield (sector, number * ENTRY_BYTES), slots[number] is None if number < len(slots) else None

    def _grown(self, first: int) -> Iterator[Place]:
        """The places of a new cluster of the directory; as often as one is needed."""
        layout = self._layout
        while True:
            if not first and not layout.root_cluster:
                raise OSError(errno.ENOSPC, "the root directory is full")
            *_, last = clusters = list(self._table.chain(first or layout.root_cluster))
            if (len(clusters) + 1) * layout.sectors_per_cluster > SECTORS_MAX:
                raise OSError(errno.ENOSPC, "the directory is full")
            cluster = self._table.allocate(0)
            self._blank(cluster)
            self._table.set(last, cluster)
            start = layout.first_sector(cluster)
            for sector in range(start, start + layout.sectors_per_cluster):
                yield from ((sector, at) for at in range(0, SECTOR_BYTES, ENTRY_BYTES))
