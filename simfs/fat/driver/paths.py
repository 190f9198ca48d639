"""From a path to the directory or file that it leads to."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator

from simfs.fat.driver.directory import Directories
from simfs.fat.format.errors import BadVolume
from simfs.fat.format.layout import Layout
from simfs.fat.format.listing import Entry

DEPTH_MAX = 100
ROOT = 0


class Paths:
    """A path is the names from the root down. Reads each directory on the way up to the entry that it needs."""

    def __init__(self, directories: Directories, layout: Layout) -> None:
        self._directories, self._root_cluster = directories, layout.root_cluster

    def find(self, path: list[str]) -> Entry | None:
        """The entry at a path. ENOTDIR where a file stands in its way."""
        parent = self.parent(path)
        return None if parent is None else self._directories.find(parent, path[-1])

    def find_file(self, path: list[str]) -> Entry:
        """ENOENT, EISDIR, ENOTDIR."""
        entry = self.find(path)
        if entry is None:
            raise refusal(errno.ENOENT, path)
        if entry.short.is_directory:
            raise refusal(errno.EISDIR, path)
        return entry

    def all(self) -> Iterator[tuple[tuple[str, ...], bool]]:
        """The path of everything, and whether it is a directory; a directory comes before what is in it. BadVolume
        where directories contain themselves."""
        return self._all(ROOT, (), {ROOT, self._root_cluster})

    def _all(self, first: int, above: tuple[str, ...], seen: set[int]) -> Iterator[tuple[tuple[str, ...], bool]]:
        for entry in list(self._directories.entries(first)):
            path = (*above, entry.name)
            yield path, entry.short.is_directory
            if not entry.short.is_directory:
                continue
            if entry.short.first in seen or len(path) > DEPTH_MAX:
                raise BadVolume(f"the directory {'/'.join(path)} leads back to one that it is in")
            seen.add(entry.short.first)
            yield from self._all(entry.short.first, path, seen)

    def full(self, path: list[str]) -> list[str] | None:
        """The full names on the way, each of which may be given as a short one, and in any case; None if nothing is
        there."""
        full, first = list[str](), ROOT
        for name in path:
            entry = None if full and not first else self._directories.find(first, name)
            if entry is None:
                return None
            full.append(entry.name)
            first = entry.short.first if entry.short.is_directory else 0
        return full

    def there(self, path: list[str]) -> int:
        """The directory that a path ends in, which must be there."""
        parent = self.parent(path)
        if parent is None:
            raise refusal(errno.ENOENT, path)
        return parent

    def directory(self, path: list[str]) -> Entry:
        """ENOENT, ENOTDIR."""
        entry = self.find(path)
        if entry is None:
            raise refusal(errno.ENOENT, path)
        if not entry.short.is_directory:
            raise refusal(errno.ENOTDIR, path)
        return entry

    def empty_directory(self, path: list[str]) -> Entry:
        """ENOENT, ENOTDIR, ENOTEMPTY."""
        entry = self.directory(path)
        if next(self._directories.entries(entry.short.first), None) is not None:
            raise refusal(errno.ENOTEMPTY, path)
        return entry

    def parent(self, path: list[str]) -> int | None:
        """The directory that a path ends in; None where there is none."""
        first = ROOT
        for name in path[:-1]:
            entry = self._directories.find(first, name)
            if entry is None:
                return None
            if not entry.short.is_directory:
                raise refusal(errno.ENOTDIR, path)
            first = entry.short.first
        return first

    def made_parent(self, path: list[str]) -> int:
        """The directory that a path ends in; made, with those above it, where there is none. ENOTDIR, ENOSPC."""
        first = ROOT
        for name in path[:-1]:
            entry = self._directories.find(first, name)
            if entry is None:
                first = self._directories.make(first, name)
            elif entry.short.is_directory:
                first = entry.short.first
            else:
                raise refusal(errno.ENOTDIR, path)
        return first


def refusal(number: int, path: list[str]) -> OSError:
    """The error that POSIX names."""
    return OSError(number, os.strerror(number), "/".join(path))
