"""The directories of a store, for functions that take paths: its own where it keeps some, else what names have in
common, and notes for those that were made or emptied. Paths begin with a slash; "" is the top."""

from __future__ import annotations

import errno
from collections.abc import Callable
from contextlib import suppress

from simfs.bridges.descriptors import refusal
from simfs.files.contract import AnyStore, Directories, directories_of


class NotedFolders:
    """Directories of a flat store. `stored` gives the store's name of a path, `top` what all names begin with."""

    def __init__(self, store: AnyStore, stored: Callable[[str], str], top: str) -> None:
        self._store, self._stored, self._top = store, stored, top
        self._noted = {""}

    def has(self, path: str) -> bool:
        """Whether there is a directory."""
        if path in self._noted:
            return True
        return not self._store.exists(self._stored(path)) and bool(self._store.names(self._stored(path) + "/"))

    def below(self, path: str) -> list[str]:
        """The names in a directory, sorted."""
        start = self._stored(path) + "/" if path else self._top
        files = {one[len(start) :].split("/")[0] for one in self._store.names(start)}
        noted = {folder[len(path) + 1 :].split("/")[0] for folder in self._noted if folder.startswith(f"{path}/")}
        return sorted(files | noted)

    def make(self, path: str) -> None:
        self._noted.add(path)

    def remove(self, path: str) -> None:
        self._noted.discard(path)

    def rename(self, old: str, new: str) -> None:
        """Every file below it, one after the other."""
        for name in self._store.names(self._stored(old) + "/"):
            self._store.rename(name, self._stored(new) + name[len(self._stored(old)) :])
        moved = {folder for folder in self._noted if f"{folder}/".startswith(f"{old}/")}
        self._noted = self._noted - moved | {new + folder[len(old) :] for folder in moved} | {new}
        self.stays_above(old)

    def stays_above(self, path: str) -> None:
        """A directory stays when what was in it goes."""
        while path:
            path = path.rpartition("/")[0]
            self._noted.add(path)


class OwnFolders:
    """Directories that the store keeps itself. Errors are its own."""

    def __init__(self, store: AnyStore, own: Directories) -> None:
        self._store, self._own = store, own

    def has(self, path: str) -> bool:
        """Whether there is a directory. Reads those on the way."""
        return not path or (not self._store.exists(path) and self._full(path) is not None)

    def below(self, path: str) -> list[str]:
        """The names in a directory, sorted. Reads every directory."""
        start = f"{self._full(path)}/" if path else "/"
        every = (*self._store.names(start), *self._own.directories())
        return sorted({one[len(start) :].split("/")[0] for one in every if one.startswith(start)})

    def make(self, path: str) -> None:
        self._own.make_directory(path)

    def remove(self, path: str) -> None:
        self._own.remove_directory(path)

    def rename(self, old: str, new: str) -> None:
        self._own.rename_directory(old, new)

    def stays_above(self, path: str) -> None:
        """It does."""

    def _full(self, path: str) -> str | None:
        with suppress(OSError, ValueError):  # there can be no such name
            return self._own.full_name(path)
        return None


def folders_of(store: AnyStore, stored: Callable[[str], str], top: str) -> NotedFolders | OwnFolders:
    """Those of a store."""
    own = directories_of(store)
    return NotedFolders(store, stored, top) if own is None else OwnFolders(store, own)


def check_rename(folders: NotedFolders | OwnFolders, old: str, new: str, is_file: bool) -> None:
    """Refuse a new name that a directory can't get; `is_file`: a file bears it."""
    if not old or f"{new}/".startswith(f"{old}/"):
        raise refusal(errno.EBUSY if not old else errno.EINVAL)
    if is_file:
        raise refusal(errno.ENOTDIR)
    if folders.has(new) and folders.below(new):
        raise refusal(errno.ENOTEMPTY)
