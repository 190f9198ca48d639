"""Mends what a check finds, as one does at a desk: what can't be right is cut off, and clusters that belong to nobody
become files, so that somebody may look at them."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from itertools import count

from simfs.fat.card.card import Card, Unreadable
from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.checking.check import DIRTY_BITS, Found, Survey, survey
from simfs.fat.driver.paths import ROOT
from simfs.fat.driver.volume import Volume
from simfs.fat.format.entries import ARCHIVE, DIRECTORY, FREE, Short, dot_entries, set_first_and_size, slots_of
from simfs.fat.format.layout import ENTRY_BYTES, Layout, hints
from simfs.fat.format.listing import DOTS, Place
from simfs.fat.format.table_entries import MASK32, packed, unpacked

LOST_FILE, LOST_DIRECTORY = "LOST{:04}.BIN", "LOST{:04}"
STAY = ("same name", "bad name")
ROUNDS_MAX = 8
FREE_ENTRIES = (bytes([FREE]) + bytes(ENTRY_BYTES - 1)) * (SECTOR_BYTES // ENTRY_BYTES)


def mend(card: Card) -> list[str]:
    """Mend the volume on a card; what was done, a line each. BadVolume, Unreadable where there is none to mend.

    An unreadable sector of the table comes from the other copy, one of a directory loses its entries, and one of a file
    gets zeros. A chain ends where it breaks, or runs into another file; a size is what the chain holds at most. Two
    equal names stay, and so do short names with a character that none may have.
    """
    done: list[str] = []
    for _ in range(ROUNDS_MAX):
        done += _mended_once(card)
        if all(fault.kind in STAY for fault in survey(card).faults):
            break
    return done


def _mended_once(card: Card) -> list[str]:
    """What was found again may have faults of its own."""
    mender = _Mender(survey(card))
    if mender.root_is_cut_off():
        mender.put()
        mender = _Mender(survey(card))
    mender.directories()
    mender.chains()
    mender.put()
    mender.data()
    return mender.done + _keep_directories(card) + _keep_lost(card)


class _Mender:
    """Changes sectors of directories at once, and the table in RAM."""

    def __init__(self, seen: Survey) -> None:
        self.seen = seen
        self.done: list[str] = []

    def root_is_cut_off(self) -> bool:
        """Whether no copy of the table has the root of FAT32, so that nothing behind it was seen."""
        root = self.seen.layout.root_cluster
        return bool(root) and not self.seen.table[root]

    def directories(self) -> None:
        """Sectors that can't be read become free entries; pieces of names that belong to nobody go."""
        for sector in self.seen.torn:
            self.seen.card.write(sector, FREE_ENTRIES)
            self.done.append(f"sector {sector:,}: its entries are given up")
        for place in self.seen.strays:
            self._change(place, lambda sector, at: sector.__setitem__(at, FREE))
            self.done.append(f"sector {place[0]:,}: a piece of a name is taken away")
        for found in self.seen.found:
            if found.entry.short.is_directory:
                self._directory(found)

    def chains(self) -> None:
        """The root's chain ends where it breaks; every file has a chain of its own that is as long as its size says."""
        if any((fault.kind, fault.where) == ("chain", "/") for fault in self.seen.faults):
            *_, last = (cluster for cluster, path in self.seen.owner.items() if path == "/")
            self.seen.table[last] = self.seen.layout.end_of_chain
            self.done.append(f"the root directory: its chain ends with cluster {last:,}")
        for found in self.seen.found:
            self._chain(found)

    def data(self) -> None:
        """A sector of a file that can't be read gets zeros, so that the file can be appended to."""
        for cluster, path in self.seen.owner.items():
            first = self.seen.layout.first_sector(cluster)
            for sector in range(first, first + self.seen.layout.sectors_per_cluster):
                if not self._is_readable(sector):
                    self.seen.card.write(sector, bytes(SECTOR_BYTES))
                    self.done.append(f"sector {sector:,} of {path}: it can't be read, and has zeros now")

    def put(self) -> None:
        """Write the table to all copies, and what follows from it."""
        layout, card = self.seen.layout, self.seen.card
        clean = DIRTY_BITS.get(layout.bits, 0)
        self.seen.table[1] |= clean
        if not self.seen.table[0]:  # neither copy could be read
            self.seen.table[:2] = [layout.end_of_chain - 0xFF + layout.media, layout.end_of_chain]
        if self.root_is_cut_off():
            self.seen.table[layout.root_cluster] = layout.end_of_chain
        table = self._table()
        for number, start in enumerate(layout.table_starts, 1):
            for at in range(layout.table_sectors):
                data = table[at * SECTOR_BYTES : (at + 1) * SECTOR_BYTES]
                if not self._holds(start + at, data):
                    card.write(start + at, data)
                    self.done.append(f"sector {start + at:,}: copy {number} of the table is written anew")
        boot = bytearray(card.look(layout.start))
        flag = 65 if layout.bits == 32 else 37
        if boot[flag] & 1:
            boot[flag] &= 0xFE
            card.write(layout.start, bytes(boot))
            self.done.append("the mark of a volume in use is taken away")
        if layout.backup_sector and not self._holds(layout.backup_sector, bytes(boot)):
            card.write(layout.backup_sector, bytes(boot))

    def _directory(self, found: Found) -> None:
        """Its two dot entries; without a cluster it is no directory any more."""
        if not found.chain:
            for place in found.entry.places:
                self._change(place, lambda sector, at: sector.__setitem__(at, FREE))
            self.done.append(f"{found.path}: a directory that begins nowhere is taken away")
        elif any(fault.kind == "dots" and fault.where == found.path for fault in self.seen.faults) or (
            self.seen.layout.first_sector(found.chain[0]) in self.seen.torn
        ):
            sector = bytearray(self.seen.card.look(self.seen.layout.first_sector(found.chain[0])))
            sector[: 2 * ENTRY_BYTES] = dot_entries(found.chain[0], found.parent)
            self.seen.card.write(self.seen.layout.first_sector(found.chain[0]), bytes(sector))
            self.done.append(f"{found.path}: its first two entries are written anew")

    def _chain(self, found: Found) -> None:
        layout, table, short = self.seen.layout, self.seen.table, found.entry.short
        wanted = len(found.chain)
        if not short.is_directory:
            wanted = min(wanted, -(-short.size // layout.cluster_bytes))
        if found.broken or wanted < len(found.chain):
            for cluster in found.chain[wanted:]:
                table[cluster] = 0
                del self.seen.owner[cluster]
            if wanted:
                table[found.chain[wanted - 1]] = layout.end_of_chain
            self.done.append(f"{found.path}: its chain ends after {wanted:,} clusters")
        first = found.chain[0] if wanted else 0
        size = 0 if short.is_directory else min(short.size, wanted * layout.cluster_bytes)
        is_kept = found.chain or not short.is_directory
        if is_kept and (first, size) != (short.first, short.size):
            self._change(found.entry.place, lambda sector, at: set_first_and_size(sector, at, first, size))
            self.done.append(f"{found.path}: its size is {size:,} B")

    def _table(self) -> bytes:
        """The whole table; what is behind the last entry, and the upper bits of FAT32, stay as they were."""
        layout = self.seen.layout
        old = b"".join(self._any_copy(at) for at in range(layout.table_sectors))
        entries = list(unpacked(old, layout.bits))
        if layout.bits == 32:
            upper = [int.from_bytes(old[at : at + 4], "little") & ~MASK32 for at in range(0, len(old), 4)]
            entries = [entry | high for entry, high in zip(entries, upper, strict=True)]
            own = [entry | high for entry, high in zip(self.seen.table, upper, strict=False)]
        else:
            own = self.seen.table
        entries[: len(own)] = own
        return packed(entries, layout.bits).ljust(len(old), b"\0")[: len(old)]

    def _any_copy(self, at: int) -> bytes:
        for start in self.seen.layout.table_starts:
            with suppress(Unreadable):
                return self.seen.card.look(start + at)
        return bytes(SECTOR_BYTES)

    def _is_readable(self, sector: int) -> bool:
        try:
            self.seen.card.look(sector)
        except Unreadable:
            return False
        return True

    def _holds(self, sector: int, data: bytes) -> bool:
        try:
            return self.seen.card.look(sector) == data
        except Unreadable:
            return False

    def _change(self, place: Place, change: Callable[[bytearray, int], object]) -> None:
        sector = bytearray(self.seen.card.look(place[0]))
        change(sector, place[1])
        self.seen.card.write(place[0], bytes(sector))


def _keep_directories(card: Card) -> list[str]:
    """Directories that no other leads to any more get a name in the root, one after the other; what is in them is
    found again with that."""
    done: list[str] = []
    while True:
        seen = survey(card)
        heads = {chain[0]: _parent_of(seen, chain[0]) for chain in seen.lost_chains()}
        tops = [head for head, parent in heads.items() if parent is not None and parent not in heads]
        volume = Volume.mount(card)
        name = _free_name(volume, LOST_DIRECTORY)
        if not tops:
            return done
        try:
            volume.directories.add(ROOT, name, DIRECTORY, tops[0], 0)
        except OSError:  # the root is full
            return done
        volume.sync()
        first = volume.layout.first_sector(tops[0])
        sector = bytearray(card.look(first))
        sector[: 2 * ENTRY_BYTES] = dot_entries(tops[0], ROOT)
        card.write(first, bytes(sector))
        done.append(f"/{name}: a directory that nothing led to")


def _parent_of(seen: Survey, head: int) -> int | None:
    """The directory above the one that begins at a cluster; None where that is no directory."""
    try:
        slots, _ = slots_of(seen.card.look(seen.layout.first_sector(head)))
    except Unreadable:
        return None
    names = [slot.name for slot in slots[:2] if isinstance(slot, Short)]
    parent = slots[1] if names == [*DOTS] else None
    return parent.first if isinstance(parent, Short) else None


def _free_name(volume: Volume, pattern: str) -> str:
    return next(name for name in map(pattern.format, count(1)) if volume.directories.find(ROOT, name) is None)


def _keep_lost(card: Card) -> list[str]:
    """Files in the root for chains that nobody has; freed where the root has no room. Then the hints, as they are."""
    chains = survey(card).lost_chains()
    volume, done = Volume.mount(card), list[str]()
    layout = volume.layout
    for chain in chains:
        name, size = _free_name(volume, LOST_FILE), len(chain) * layout.cluster_bytes
        volume.table.set(chain[-1], layout.end_of_chain)
        try:
            volume.directories.add(ROOT, name, ARCHIVE, chain[0], size)
            done.append(f"/{name}: {size:,} B that belonged to no file")
        except OSError:
            volume.table.release(chain[0])
            done.append(f"cluster {chain[0]:,}: {size:,} B that belonged to no file are free, the root is full")
    volume.sync()
    if layout.info_sector:
        _count_anew(card, layout)
    return done


def _count_anew(card: Card, layout: Layout) -> None:
    free = sum(not entry for entry in survey(card).table[2:])
    card.write(layout.info_sector, hints(free, None))
