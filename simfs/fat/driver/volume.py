"""A mounted volume: files by path, with the sector reads and writes that a small driver makes (FAT.md says which)."""

from __future__ import annotations

import errno
from dataclasses import replace

from simfs.fat.card.card import Card
from simfs.fat.driver.directory import Directories
from simfs.fat.driver.open_file import FileBytes, OpenFile
from simfs.fat.driver.paths import DEPTH_MAX, Paths, refusal
from simfs.fat.driver.table import Table
from simfs.fat.driver.window import Window
from simfs.fat.format.entries import ARCHIVE, set_first_and_size
from simfs.fat.format.layout import Layout, read_layout
from simfs.fat.format.listing import Entry, Place
from simfs.fat.format.making import new_volume, plan


class Volume:
    """Files by their path: the names from the root down, without slashes. Errors are the `OSError` that POSIX names;
    BadVolume where the card contradicts itself, Unreadable where a sector can't be read."""

    def __init__(self, card: Card, layout: Layout) -> None:
        self.card, self.layout = card, layout
        self._window = Window(card, layout)
        self.table = Table(self._window, layout)
        self.directories = Directories(self._window, self.table, layout)
        self.paths = Paths(self.directories, layout)
        self.bytes = FileBytes(self._window, self.table, layout)
        self._open: dict[Place, OpenFile] = {}
        self._nameless: list[OpenFile] = []  # open, and their names are gone

    @classmethod
    def format(cls, card: Card, cluster_bytes: int | None = None) -> Volume:
        """A new, empty volume over the whole card, at no cost. ValueError where there is none of that size."""
        for sector, data in new_volume(plan(card.sector_count, cluster_bytes)):
            card.write(sector, data)
        card.writes = 0
        return cls.mount(card)

    @classmethod
    def mount(cls, card: Card) -> Volume:
        """The volume on the card: one read, or two with a table of partitions or the hints of FAT32."""
        volume = cls(card, read_layout(card.read, card.sector_count))
        volume.table.take_hints()
        return volume

    def find(self, path: list[str]) -> Entry | None:
        """The entry at a path. ENOTDIR where a file stands in its way."""
        return self.paths.find(path)

    def find_file(self, path: list[str]) -> Entry:
        """ENOENT, EISDIR, ENOTDIR."""
        return self.paths.find_file(path)

    def size_of(self, entry: Entry) -> int:
        """As one sees it who has it open."""
        file = self._open.get(entry.place)
        return entry.short.size if file is None else file.size

    def open(self, entry: Entry) -> OpenFile:
        """The file of an entry, open once more."""
        file = self._open.get(entry.place)
        if file is None:
            file = self._open[entry.place] = OpenFile(entry.place, entry.short.first, entry.short.size)
        file.handles += 1
        return file

    def close(self, file: OpenFile) -> None:
        """Open once less. The bytes of a file without a name go with its last handle."""
        file.handles -= 1
        if file.handles:
            return
        if file.place is not None:
            self._open.pop(file.place, None)
        else:
            self._nameless.remove(file)
            self._release(file.first)

    def create(self, path: list[str]) -> Entry:
        """A new, empty file, with the directories that its path needs; an empty directory of that name goes. ENOSPC,
        ENOTDIR, EISDIR."""
        parent = self.paths.made_parent(path)
        self._make_way(parent, path)
        entry = self.directories.add(parent, path[-1], ARCHIVE, 0, 0)
        self.sync()
        return entry

    def remove(self, path: list[str]) -> None:
        """Take a file's name away: the directory entry, then the table."""
        entry = self.find_file(path)
        self.directories.remove(entry)
        self.sync()
        self._let_go(entry)

    def rename(self, old: list[str], new: list[str]) -> None:
        """Give a file another name: the new entry, then the old one goes; a file that bore it is replaced, and what it
        held is freed last."""
        entry = self.find_file(old)
        parent = self.paths.parent(new)
        if parent is not None:
            self._make_way(parent, new)
        target = self.find(new)
        if target is not None and target.place == entry.place:
            if target.name != new[-1]:
                self._rename_over(entry, None, new)
        else:
            self._rename_over(entry, target, new)

    def _rename_over(self, entry: Entry, target: Entry | None, new: list[str]) -> None:
        file = self._open.get(entry.place)
        first, size = entry.short.first, entry.short.size
        if target is not None and target.name == new[-1]:
            sector, at = target.place
            replaced = self._open.pop(target.place, None)
            set_first_and_size(self._window.change(sector), at, first, size)
            place = target.place
        else:
            parent = self.paths.made_parent(new)
            place = self.directories.add(parent, new[-1], entry.short.attributes | ARCHIVE, first, size).place
            replaced = self._open.pop(target.place, None) if target is not None else None
            if target is not None:
                self.directories.remove(target)
        self.directories.remove(entry)
        self.sync()
        if file is not None:
            file.place = place
            self._open[place] = self._open.pop(entry.place)
        if replaced is not None:
            self._lose_name(replaced)
        elif target is not None:
            self._release(target.short.first)

    def make_directory(self, path: list[str]) -> None:
        """A new, empty directory. EEXIST, ENOENT, ENOTDIR, ENOSPC."""
        parent = self.paths.there(path)
        if self.directories.find(parent, path[-1]) is not None:
            raise refusal(errno.EEXIST, path)
        self.directories.make(parent, path[-1])
        self.sync()

    def remove_directory(self, path: list[str]) -> None:
        """Take an empty directory away: its entry, then the table. ENOENT, ENOTDIR, ENOTEMPTY."""
        entry = self.paths.empty_directory(path)
        self.directories.remove(entry)
        self.sync()
        self._release(entry.short.first)

    def rename_directory(self, old: list[str], new: list[str]) -> None:
        """Give a directory another name, with all that is in it: the new entry, the way back to the directory above,
        then the old entry goes. ENOENT, ENOTDIR, ENOTEMPTY, EINVAL where it would be in itself."""
        entry = self.paths.directory(old)
        above = [self.paths.there(new[:length]) for length in range(1, len(new) + 1)]
        if entry.short.first in above:
            raise refusal(errno.EINVAL, new)
        target = self.find(new)
        if target is not None and target.place == entry.place:
            if target.name == new[-1]:
                return
        elif target is not None:
            self.remove_directory(new)
        self.directories.add(above[-1], new[-1], entry.short.attributes, entry.short.first, 0)
        if self.paths.there(old) != above[-1]:
            self.directories.lead_back(entry.short.first, above[-1])
        self.directories.remove(entry)
        self.sync()

    def settled_copy(self) -> Card:
        """A copy of the card, as this one would be if every file were closed now."""
        copy = Volume(self.card.copy(), self.layout)
        copy._window.take(self._window)
        copy.table.take(self.table)
        for file in self._open.values():
            copy.bytes.flush(replace(file, buffer=bytearray(file.buffer)))
        for file in self._nameless:
            copy._release(file.first)
        copy.sync()
        return copy.card

    def _make_way(self, parent: int, path: list[str]) -> None:
        """Take away the directory of that name if there is no file in it; EISDIR if there is."""
        entry = self.directories.find(parent, path[-1])
        if entry is None or not entry.short.is_directory:
            return
        inside = list(self.directories.entries(entry.short.first))
        if len(path) > DEPTH_MAX or any(not below.short.is_directory for below in inside):
            raise refusal(errno.EISDIR, path)
        for below in inside:
            self._make_way(entry.short.first, [*path, below.name])
        self.directories.remove(entry)
        self.sync()
        self._release(entry.short.first)

    def _let_go(self, entry: Entry) -> None:
        file = self._open.pop(entry.place, None)
        if file is None:
            self._release(entry.short.first)
        else:
            self._lose_name(file)

    def _lose_name(self, file: OpenFile) -> None:
        file.place = None
        self._nameless.append(file)

    def _release(self, first: int) -> None:
        self.table.release(first)
        self.sync()

    def sync(self) -> None:
        """Write what waits in the window, and the hints."""
        self._window.flush()
        self.table.put_hints()
