"""What the functions of `os` that take a path do on a store. Times are kept here as notes."""

from __future__ import annotations

import errno
import io
import os
import stat
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from simfs.bridges.descriptors import Descriptors, Opened, refusal
from simfs.bridges.folders import check_rename, folders_of
from simfs.bridges.mount.room import statfs_of
from simfs.files.contract import AnyStore
from simfs.files.modes import parse_mode

DEVICE = 0x51F5  # st_dev: no device of the host's
WRITES = os.O_WRONLY | os.O_RDWR
NS_PER_S = 1_000_000_000
STATVFS = ("f_bsize", "f_frsize", "f_blocks", "f_bfree", "f_bavail", "f_files", "f_ffree", "f_favail")


class OsFunctions:
    """The functions of `os` on a store. Names come first, then the path as it was given. `clock_ns` gives the times of
    files, in ns since 1970."""

    def __init__(self, store: AnyStore, prefix: str, clock_ns: Callable[[], int] = lambda: 0) -> None:
        self._store, self._prefix, self._clock_ns = store, prefix, clock_ns
        self.descriptors = Descriptors()
        self._began_ns = clock_ns()
        self._times: dict[str, tuple[int, int]] = {}  # by name: when it was read, and changed
        names = store.names()
        self._top = "" if names and not names[0].startswith("/") else "/"
        self._folders = folders_of(store, self._stored, self._top)

    def name_of(self, path: Any, dir_fd: int | None = None) -> str | None:
        """The path below the prefix, "" for the prefix itself; None for what is not below it. Both may be numbers that
        were opened here."""
        if isinstance(path, int):
            opened = self.descriptors.find(path)
            return None if opened is None else opened.name
        try:
            path = os.fsdecode(path)
            if dir_fd is not None and not os.path.isabs(path):
                above = self.descriptors.find(dir_fd)
                if above is None:
                    return None
                path = f"{self._prefix}{above.name}/{path}"
            full = os.path.abspath(path)
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
            error.filename = path if isinstance(path, int) else os.fspath(path)
            if other is not None:
                error.filename2 = os.fspath(other)
            raise

    def open(self, name: str, mode: str) -> io.RawIOBase:
        if self._folders.has(name):
            raise refusal(errno.EISDIR)
        return self._store.open(self._stored(name), mode)

    def opened(self, name: str, mode: str) -> Opened:
        """What `io.open` works on."""
        meaning = parse_mode(mode)
        there = self._store.exists(self._stored(name))
        stream = self.open(name, mode)
        if meaning.truncates or not there:
            self._changed(name)
        return Opened(name, stream, meaning.reads, meaning.writes, lambda: self._changed(name))

    def opened_number(self, name: str, _path: Any, flags: int, _mode: int = 0o777, **_options: Any) -> int:
        """As `os.open`. A directory can be opened to be read."""
        if flags & getattr(os, "O_TMPFILE", 0) == getattr(os, "O_TMPFILE", -1):
            raise refusal(errno.EOPNOTSUPP)  # a store has no files without a name
        writes = bool(flags & WRITES)
        if self._folders.has(name):
            if writes or flags & os.O_CREAT:
                raise refusal(errno.EISDIR)
            return self.descriptors.new(Opened(name, None, True, False, lambda: None))
        there = self._store.exists(self._stored(name))
        if flags & os.O_DIRECTORY:
            raise refusal(errno.ENOTDIR if there else errno.ENOENT)
        if not there and not flags & os.O_CREAT:
            raise refusal(errno.ENOENT)
        empties = bool(flags & os.O_TRUNC)
        how = "a+" if flags & os.O_APPEND else "r+" if there and (writes or empties) else "r" if there else "w+"
        how = "x+" if flags & os.O_CREAT and flags & os.O_EXCL else how
        stream = self.open(name, how)
        if empties:
            stream.truncate(0)
        if empties or not there:
            self._changed(name)
        reads = flags & WRITES != os.O_WRONLY
        return self.descriptors.new(Opened(name, stream, reads, writes, lambda: self._changed(name)))

    def remove(self, name: str, _path: Any, **_options: Any) -> None:
        if self._folders.has(name):
            raise refusal(errno.EISDIR)
        self._store.remove(self._stored(name))
        self._times.pop(name, None)
        self._folders.stays_above(name)

    unlink = remove

    def rename(self, old: str, new: str) -> None:
        if self._folders.has(old):
            self._rename_folder(old, new)
            return
        if self._folders.has(new):
            raise refusal(errno.EISDIR)
        self._store.rename(self._stored(old), self._stored(new))
        self._times[new] = self._times.pop(old, (self._began_ns, self._began_ns))
        self._folders.stays_above(old)

    def _rename_folder(self, old: str, new: str) -> None:
        check_rename(self._folders, old, new, self._store.exists(self._stored(new)))
        self._folders.rename(old, new)
        kept = {name: times for name, times in self._times.items() if f"{name}/".startswith(f"{old}/")}
        self._times |= {new + name[len(old) :]: times for name, times in kept.items()}

    def listdir(self, name: str, path: Any) -> list[Any]:
        if name and self._store.exists(self._stored(name)):
            raise refusal(errno.ENOTDIR)
        if not self._folders.has(name):
            raise refusal(errno.ENOENT)
        found = self._folders.below(name)
        return [os.fsencode(one) for one in found] if isinstance(path, bytes) else found

    def scandir(self, name: str, path: Any) -> Entries:
        return Entries([Entry(self, name, one, path) for one in self.listdir(name, path)])

    def stat(self, name: str, path: Any, **_options: Any) -> os.stat_result:
        """Size and kind, and times as far as they were noted here; a store knows none, nor owners or modes."""
        opened = self.descriptors.find(path)
        if opened is not None and opened.stream is not None:
            mode, size = stat.S_IFREG | 0o644, opened.size_bytes()
        elif name and self._store.exists(self._stored(name)):
            mode, size = stat.S_IFREG | 0o644, self._store.stat(self._stored(name)).size_bytes
        elif self._folders.has(name):
            mode, size = stat.S_IFDIR | 0o755, 0
        else:
            raise refusal(errno.ENOENT)
        number = zlib.crc32(name.encode("utf-8", "surrogateescape")) + 1
        read_ns, changed_ns = self._times.get(name, (self._began_ns, self._began_ns))
        told = {"a": read_ns, "m": changed_ns, "c": changed_ns}
        times = {f"st_{kind}time_ns": at_ns for kind, at_ns in told.items()}
        times |= {f"st_{kind}time": at_ns / NS_PER_S for kind, at_ns in told.items()}  # type: ignore[misc]
        whole = [at_ns // NS_PER_S for at_ns in told.values()]
        return os.stat_result((mode, number, DEVICE, 1, 0, 0, size, *whole), times)

    lstat = stat

    def access(self, name: str, path: Any, mode: int, **_options: Any) -> bool:
        try:
            found = self.stat(name, path)
        except OSError:
            return False
        return not mode & os.X_OK or stat.S_ISDIR(found.st_mode)

    def statvfs(self, name: str, path: Any) -> os.statvfs_result:
        self.stat(name, path)
        room = statfs_of(self._store)
        return os.statvfs_result((*(room[key] for key in STATVFS), 0, room["f_namemax"]))

    def utime(
        self, name: str, path: Any, times: tuple[float, float] | None = None, *, ns: Any = None, **_options: Any
    ) -> None:
        """Noted as given; without times it is now."""
        self.stat(name, path)
        now_ns = self._clock_ns()
        given = ns or ((int(times[0] * NS_PER_S), int(times[1] * NS_PER_S)) if times else (now_ns, now_ns))
        self._times[name] = given

    def mkdir(self, name: str, _path: Any, *_mode: Any, **_options: Any) -> None:
        if self._folders.has(name) or self._store.exists(self._stored(name)):
            raise refusal(errno.EEXIST)
        if not self._folders.has(name.rpartition("/")[0]):
            raise refusal(errno.ENOENT)
        self._folders.make(name)

    def rmdir(self, name: str, path: Any, **_options: Any) -> None:
        if self.listdir(name, path):
            raise refusal(errno.ENOTEMPTY)
        if not name:
            raise refusal(errno.EBUSY)
        self._folders.remove(name)

    def truncate(self, name: str, path: Any, length: int) -> None:
        if isinstance(path, int):
            self.descriptors.ftruncate(path, length)
            return
        if self._folders.has(name):
            raise refusal(errno.EISDIR)
        self._store.truncate(self._stored(name), length)
        self._changed(name)

    def leave(self, name: str, path: Any, *_arguments: Any, **_options: Any) -> None:
        """Modes and owners: a store has none, so nothing changes."""
        self.stat(name, path)

    def _changed(self, name: str) -> None:
        now_ns = self._clock_ns()
        self._times[name] = (self._times.get(name, (now_ns, now_ns))[0], now_ns)

    def _stored(self, name: str) -> str:
        return self._top + name[1:]


class Entry:
    """One entry of `scandir`, as `os.DirEntry` is."""

    def __init__(self, names: OsFunctions, above: str, shown: Any, path: Any) -> None:
        self.name = shown
        self.path = shown if isinstance(path, int) else os.path.join(os.fspath(path), shown)
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
