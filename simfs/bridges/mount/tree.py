"""Names as a tree of directories: a store knows none, so what is shown comes from the names that share a prefix.

What a host keeps with a file and a store does not (times, mode, owner) is kept here, until the tree is dropped.
"""

from __future__ import annotations

import errno
import io
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import count

from simfs.bridges.mount.room import COMPONENT_BYTES_MAX


@dataclass(slots=True, eq=False)
class Entry:
    """What a host keeps with a name. Times are ns since 1970."""

    number: int
    mode: int
    owner: int
    group: int
    read_ns: int
    changed_ns: int
    status_ns: int


@dataclass(slots=True, eq=False)
class File(Entry):
    """A file; `name` is the one that it bears in the store. `removed`: it is open, and bears it no more. `handles`: the
    streams of its open handles, one for each, and the same stream for several where a removed file is opened again."""

    name: str = ""
    handles: list[io.RawIOBase] = field(default_factory=list)
    removed: bool = False


@dataclass(slots=True, eq=False)
class Folder(Entry):
    """A directory: by key, the name as it is shown and what it is; `folder_count` of them are directories."""

    entries: dict[str, tuple[str, File | Folder]] = field(default_factory=dict)
    folder_count: int = 0

    def put(self, key: str, shown: str, entry: File | Folder) -> None:
        self.take(key)
        self.entries[key] = shown, entry
        self.folder_count += isinstance(entry, Folder)

    def take(self, key: str) -> None:
        """Nothing is left under this key."""
        found = self.entries.pop(key, None)
        self.folder_count -= found is not None and isinstance(found[1], Folder)


@dataclass(slots=True)
class Handle:
    """An open file. `written_to`: where the last write through it ended."""

    file: File
    stream: io.RawIOBase
    task: str
    appends: bool
    written_to: int = -1


@dataclass(frozen=True, slots=True)
class Owner:
    """Who everything belongs to at first, and since when."""

    user: int
    group: int
    now_ns: int


class Tree:
    """The directories over the names of a store. Paths begin with a slash; the empty path is the root.

    `key` gives the same for two spellings of one name. Cost of a look: one step for each part of the path.
    """

    def __init__(self, owner: Owner, key: Callable[[str], str]) -> None:
        self._owner = owner
        self._key = key
        self._numbers = count(1)
        self.root = self.new_folder(0o755, owner)

    def new_folder(self, mode: int, by: Owner) -> Folder:
        return Folder(next(self._numbers), mode, by.user, by.group, by.now_ns, by.now_ns, by.now_ns)

    def new_file(self, mode: int, by: Owner, name: str) -> File:
        return File(next(self._numbers), mode, by.user, by.group, by.now_ns, by.now_ns, by.now_ns, name)

    def find(self, path: str) -> File | Folder | None:
        """What is there; ENOTDIR where a file stands in the way."""
        here: File | Folder = self.root
        for part in _parts(path):
            if not isinstance(here, Folder):
                raise _error(errno.ENOTDIR, path)
            found = here.entries.get(self._key(part))
            if found is None:
                return None
            here = found[1]
        return here

    def folder_of(self, path: str) -> Folder:
        """The directory that holds a path: ENOENT, ENOTDIR."""
        folder = self.find(path.rpartition("/")[0])
        if folder is None:
            raise _error(errno.ENOENT, path)
        if not isinstance(folder, Folder):
            raise _error(errno.ENOTDIR, path)
        return folder

    def put(self, path: str, entry: File | Folder) -> None:
        """Show an entry under a path, in place of what was there; directories on the way that are missing are made."""
        here = self.root
        *above, last = _parts(path)
        for part in above:
            if self._key(part) not in here.entries:
                here.put(self._key(part), part, self.new_folder(0o755, self._owner))
            _, below = here.entries[self._key(part)]
            if not isinstance(below, Folder):
                raise _error(errno.ENOTDIR, path)
            here = below
        here.put(self._key(last), last, entry)

    def take(self, path: str) -> None:
        """Show nothing under this path any more."""
        self.folder_of(path).take(self._key(path.rpartition("/")[2]))

    def empty_folders(self) -> list[str]:
        """Paths of directories that hold nothing, the root left out."""
        return sorted(path for path, entry in walk(self.root) if isinstance(entry, Folder) and not entry.entries)


def walk(folder: Folder, above: str = "") -> Iterator[tuple[str, File | Folder]]:
    """Everything below a directory, with its path from there."""
    for shown, entry in folder.entries.values():
        path = f"{above}/{shown}"
        yield path, entry
        if isinstance(entry, Folder):
            yield from walk(entry, path)


def not_shown(names: Iterable[str], key: Callable[[str], str]) -> list[str]:
    """Why some names of a store can't stand in directories together; a line each."""
    every = sorted(names)
    rooted = sum(name.startswith("/") for name in every)
    faults = []
    if 0 < rooted < len(every):
        bare = next(name for name in every if not name.startswith("/"))
        faults.append(f'"{bare}" has no leading slash and others have one; in a directory they would be the same')
    keys = {key(path_of(name)) for name in every}
    for name in every:
        parts = path_of(name).split("/")[1:]
        above = ["/" + "/".join(parts[:end]) for end in range(1, len(parts))]
        in_the_way = [path for path in above if key(path) in keys]
        if any(part in ("", ".", "..") for part in parts):
            faults.append(f'"{name}" has a part between slashes that is empty, "." or ".."')
        elif any(len(os.fsencode(part)) > COMPONENT_BYTES_MAX for part in parts):
            faults.append(f'"{name}" has a part of more than {COMPONENT_BYTES_MAX} bytes')
        elif in_the_way:
            faults.append(f'"{in_the_way[0]}" is a file, and "{name}" would need it as a directory')
    return faults


def path_of(name: str) -> str:
    """Where a store's name is shown."""
    return name if name.startswith("/") else f"/{name}"


def _parts(path: str) -> list[str]:
    return path.split("/")[1:] if path not in ("", "/") else []


def _error(number: int, path: str) -> OSError:
    return OSError(number, os.strerror(number), path)
