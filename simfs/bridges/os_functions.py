"""What the functions of `os` that take a path do on a store. A store is flat: directories are what names have in
common, and those that were made or emptied are kept here as notes."""

from __future__ import annotations

import errno
import io
import os
import stat
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from simfs.files.contract import AnyStore

TIMES = {f"st_{time}time{unit}": 0 for time in "amc" for unit in ("", "_ns")}
DEVICE = 0x51F5  # st_dev: no device of the host's


def refusal(number: int) -> OSError:
    return OSError(number, os.strerror(number))


class OsFunctions:
    """The functions of `os` on a store. Names come first, then the path as it was given."""

    def __init__(self, store: AnyStore, prefix: str) -> None:
        self._store, self._prefix = store, prefix
        names = store.names()
        self._top = "" if names and not names[0].startswith("/") else "/"
        self._folders = {""}  # by path below the prefix

    def name_of(self, path: Any) -> str | None:
        """The path below the prefix, "" for the prefix itself; None for what is not below it."""
        if isinstance(path, int):
            return None
        try:
            full = os.path.abspath(os.fsdecode(path))
        except (TypeError, OSError):  # it is no path, or there is no current directory
            return None
        if full == self._prefix:
            return ""
        return full[len(self._prefix) :] if full.startswith(self._prefix + "/") else None

    @contextmanager
    def told(self, path: Any, other: Any = None) -> Iterator[None]:
        """Errors name the paths as they were given."""
        try:
            yield
        except OSError as error:
            error.filename = os.fspath(path)
            if other is not None:
                error.filename2 = os.fspath(other)
            raise

    def open(self, name: str, mode: str) -> io.RawIOBase:
        if self._is_folder(name):
            raise refusal(errno.EISDIR)
        return self._store.open(self._stored(name), mode)

    def remove(self, name: str, _path: Any) -> None:
        if self._is_folder(name):
            raise refusal(errno.EISDIR)
        self._store.remove(self._stored(name))
        self._note(name)

    unlink = remove

    def rename(self, old: str, new: str) -> None:
        """Of a directory: of every file below it, one after the other."""
        if self._is_folder(old):
            self._rename_folder(old, new)
            return
        if self._is_folder(new):
            raise refusal(errno.EISDIR)
        self._store.rename(self._stored(old), self._stored(new))
        self._note(old)

    def _rename_folder(self, old: str, new: str) -> None:
        if not old or f"{new}/".startswith(f"{old}/"):
            raise refusal(errno.EBUSY if not old else errno.EINVAL)
        if self._store.exists(self._stored(new)):
            raise refusal(errno.ENOTDIR)
        if self._is_folder(new) and self._below(new):
            raise refusal(errno.ENOTEMPTY)
        for name in self._store.names(self._stored(old) + "/"):
            self._store.rename(name, self._stored(new) + name[len(self._stored(old)) :])
        moved = {folder for folder in self._folders if f"{folder}/".startswith(f"{old}/")}
        self._folders = self._folders - moved | {new + folder[len(old) :] for folder in moved} | {new}
        self._note(old)

    def listdir(self, name: str, path: Any) -> list[Any]:
        if name and self._store.exists(self._stored(name)):
            raise refusal(errno.ENOTDIR)
        if not self._is_folder(name):
            raise refusal(errno.ENOENT)
        found = self._below(name)
        return [os.fsencode(one) for one in found] if isinstance(path, bytes) else found

    def scandir(self, name: str, path: Any) -> Entries:
        return Entries([Entry(self, name, one, path) for one in self.listdir(name, path)])

    def stat(self, name: str, _path: Any, **_options: Any) -> os.stat_result:
        """Size and kind; a store knows no times, owners or modes."""
        if name and self._store.exists(self._stored(name)):
            mode, size = stat.S_IFREG | 0o644, self._store.stat(self._stored(name)).size_bytes
        elif self._is_folder(name):
            mode, size = stat.S_IFDIR | 0o755, 0
        else:
            raise refusal(errno.ENOENT)
        number = zlib.crc32(name.encode("utf-8", "surrogateescape")) + 1
        return os.stat_result((mode, number, DEVICE, 1, 0, 0, size, 0, 0, 0), TIMES)

    lstat = stat

    def access(self, name: str, path: Any, mode: int, **_options: Any) -> bool:
        try:
            found = self.stat(name, path)
        except OSError:
            return False
        return not mode & os.X_OK or stat.S_ISDIR(found.st_mode)

    def mkdir(self, name: str, _path: Any, *_mode: Any, **_options: Any) -> None:
        if self._is_folder(name) or self._store.exists(self._stored(name)):
            raise refusal(errno.EEXIST)
        if not self._is_folder(name.rpartition("/")[0]):
            raise refusal(errno.ENOENT)
        self._folders.add(name)

    def rmdir(self, name: str, path: Any, **_options: Any) -> None:
        if self.listdir(name, path):
            raise refusal(errno.ENOTEMPTY)
        if not name:
            raise refusal(errno.EBUSY)
        self._folders.discard(name)

    def truncate(self, name: str, _path: Any, length: int) -> None:
        if self._is_folder(name):
            raise refusal(errno.EISDIR)
        self._store.truncate(self._stored(name), length)

    def leave(self, name: str, path: Any, *_arguments: Any, **_options: Any) -> None:
        """Modes, owners and times: a store has none, so nothing changes."""
        self.stat(name, path)

    def _stored(self, name: str) -> str:
        return self._top + name[1:]

    def _is_folder(self, name: str) -> bool:
        if name in self._folders:
            return True
        return not self._store.exists(self._stored(name)) and bool(self._store.names(self._stored(name) + "/"))

    def _below(self, name: str) -> list[str]:
        """What stands in a directory."""
        start = self._stored(name) + "/" if name else self._top
        files = {one[len(start) :].split("/")[0] for one in self._store.names(start)}
        noted = {folder[len(name) + 1 :].split("/")[0] for folder in self._folders if folder.startswith(f"{name}/")}
        return sorted(files | noted)

    def _note(self, name: str) -> None:
        """A directory stays when what was in it goes."""
        while name:
            name = name.rpartition("/")[0]
            self._folders.add(name)


class Entry:
    """One entry of `scandir`, as `os.DirEntry` is."""

    def __init__(self, names: OsFunctions, above: str, shown: Any, path: Any) -> None:
        self.name = shown
        self.path = os.path.join(os.fspath(path), shown)
        self._names, self._below = names, f"{above}/{os.fsdecode(shown)}"

    def __fspath__(self) -> Any:
        return self.path

    def stat(self, *, follow_symlinks: bool = True) -> os.stat_result:
        return self._names.stat(self._below, self.path)

    def is_dir(self, *, follow_symlinks: bool = True) -> bool:
        return stat.S_ISDIR(self.stat().st_mode)

    def is_file(self, *, follow_symlinks: bool = True) -> bool:
        return not self.is_dir()

    def is_symlink(self) -> bool:
        return False

    def is_junction(self) -> bool:
        return False

    def inode(self) -> int:
        return self.stat().st_ino


class Entries:
    """What `scandir` gives: an iterator, and a context that has nothing to close."""

    def __init__(self, entries: list[Entry]) -> None:
        self._entries = iter(entries)

    def __iter__(self) -> Entries:
        return self

    def __next__(self) -> Entry:
        return next(self._entries)

    def __enter__(self) -> Entries:
        return self

    def __exit__(self, *_error: Any) -> None:
        return None

    def close(self) -> None:
        return None
