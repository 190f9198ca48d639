"""A store for whatever reads files through fsspec: over a live store, or over the image of one in a file, to read only.

`fsspec.filesystem("simfs", store=store)`, `fsspec.open("simfs://log/a.csv", image="returned.img")`, or as one URL
`simfs://log/a.csv::returned.img`. fsspec finds it by itself where simfs is installed.
"""

from __future__ import annotations

import errno
import hashlib
import io
import os
import stat
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

try:
    from fsspec import AbstractFileSystem
    from fsspec.spec import AbstractBufferedFile
except ImportError:
    raise ImportError("simfs:// needs fsspec; install it with pip install 'simfs[fsspec]'") from None

from simfs.bridges.cards.source import is_card, store_on
from simfs.bridges.images.source import BadImage, read_image
from simfs.bridges.os_functions import OsFunctions
from simfs.files.contract import AnyStore

BUFFER_BYTES = 4096
LOCAL = (None, "file", "local")


class Reader(AbstractBufferedFile):  # type: ignore[misc]
    """A file to read, in blocks of `blocksize` bytes; fsspec's caches ask for these by `_fetch_range`. A change behind
    what was read is seen, a new size is not."""

    DEFAULT_BLOCK_SIZE = BUFFER_BYTES

    def __init__(self, fs: StoreFileSystem, name: str, raw: io.RawIOBase, **options: Any) -> None:
        self._raw = raw
        super().__init__(fs, name, "rb", **options)

    def _fetch_range(self, start: int, end: int) -> bytes:
        self._raw.seek(start)
        return self._raw.read(end - start) or b""

    def close(self) -> None:
        super().close()
        self._raw.close()


class Written(io.BufferedIOBase):
    """Calls `closed_now` once it is closed."""

    closed_now: Callable[[], None]

    def close(self) -> None:
        was_open = not self.closed
        super().close()
        if was_open:
            self.closed_now()


class Writer(Written, io.BufferedWriter):
    """A file to write."""


class Updater(Written, io.BufferedRandom):
    """A file to read and write."""


class StoreFileSystem(AbstractFileSystem):  # type: ignore[misc]
    """Files of a store by their names; directories are those that it keeps, or else what names have in common, and
    notes for empty ones.

    Transactions are refused. Whoever changes the store or the image meanwhile is seen. A store keeps no times:
    `modified` and `created` give those of the image's file; over a live store, when a file was written through this
    file system, or else when that was opened.
    """

    protocol = "simfs"
    root_marker = "/"
    cachable = False  # an image may be another one by the next time

    def __init__(
        self,
        store: AnyStore | None = None,
        image: str | os.PathLike[str] | None = None,
        start: int | None = None,
        fo: str | None = None,
        target_protocol: str | None = None,
        **options: Any,
    ) -> None:
        """Either `store`, or `image`: a file that `read_image` takes, where the store begins at `start` of it, or
        that of a card. `fo` and
        `target_protocol` are what a chained URL gives in place of `image`. ValueError, OSError."""
        super().__init__(**options)
        source = fo if image is None else os.fspath(image)
        if (store is None) == (source is None):
            raise ValueError("simfs:// needs either a store or an image: give one of store=... and image=...")
        if target_protocol not in LOCAL:
            raise ValueError(f"simfs:// reads images from local files, not over {target_protocol}; fetch it first")
        self._image, self._start, self._image_state = source, start, None if source is None else os.stat(source)
        self._opened_at = _changed_at(self._image_state)
        self.store = store or _mounted(str(source), start)
        self._names = OsFunctions(self.store, "")
        self._created: dict[str, datetime] = {}  # of what was written through this file system
        self._modified: dict[str, datetime] = {}

    @classmethod
    def _strip_protocol(cls, path: Any) -> Any:
        if isinstance(path, list):
            return [cls._strip_protocol(one) for one in path]
        text = os.fspath(path).removeprefix("simfs://").strip("/")
        return f"/{text}" if text else ""

    def info(self, path: str, **_options: Any) -> dict[str, Any]:
        name = self._strip_protocol(path)
        found = self._told(name, lambda: self._names.stat(name, name))
        kind = "directory" if stat.S_ISDIR(found.st_mode) else "file"
        return {"name": name, "size": found.st_size, "type": kind}

    def ls(self, path: str, detail: bool = True, **_options: Any) -> list[Any]:
        name = self._strip_protocol(path)
        here = self.info(name)
        if here["type"] == "file":
            return [here if detail else name]
        below = [f"{name}/{one}" for one in self._names.listdir(name, name)]
        return [self.info(one) for one in below] if detail else below

    def modified(self, path: str) -> datetime:
        """When the file was written last, as far as this file system knows, in UTC."""
        name = self.info(path)["name"]
        return self._modified.get(name, self._opened_at)

    def created(self, path: str) -> datetime:
        """When the file was made, as far as this file system knows, in UTC."""
        name = self.info(path)["name"]
        return self._created.get(name, self._opened_at)

    def ukey(self, path: str) -> str:
        """Another text for other contents. Reads the whole file."""
        known = self.info(path)
        if known["type"] == "directory":
            return str(super().ukey(path))
        return hashlib.sha256(self.cat_file(known["name"])).hexdigest()

    def checksum(self, path: str) -> int:
        """Another number for other contents. Reads the whole file."""
        return int(self.ukey(path), 16)

    def _open(
        self,
        path: str,
        mode: str = "rb",
        block_size: int | None = None,
        autocommit: bool = True,
        cache_options: dict[str, Any] | None = None,
        cache_type: str = "readahead",
        size: int | None = None,
        **_options: Any,
    ) -> Any:
        name = self._strip_protocol(path)
        if not autocommit:
            raise OSError(errno.ENOTSUP, "a store has no transactions", name)
        is_new = not self.exists(name)
        raw = self._told(name, lambda: self._names.open(name, mode))
        if mode == "rb":
            caching = {"block_size": block_size, "cache_type": cache_type, "cache_options": cache_options}
            return Reader(self, name, raw, size=size, **caching)
        file = (Updater if "+" in mode else Writer)(raw, block_size or BUFFER_BYTES)
        file.closed_now = lambda: self._note(name)
        if is_new:
            self._created[name] = datetime.now(UTC)
        self._note(name)
        return file

    def _note(self, name: str) -> None:
        """The file has been written now."""
        self._modified[name] = datetime.now(UTC)

    def mkdir(self, path: str, create_parents: bool = True, **_options: Any) -> None:
        name = self._strip_protocol(path)
        if create_parents and name.rpartition("/")[0]:
            self.makedirs(name.rpartition("/")[0], exist_ok=True)
        if self.store.read_only:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), name)
        self._told(name, lambda: self._names.mkdir(name, name))

    def makedirs(self, path: str, exist_ok: bool = False) -> None:
        name = self._strip_protocol(path)
        if not (exist_ok and self.isdir(name)):
            self.mkdir(name)

    def rmdir(self, path: str) -> None:
        name = self._strip_protocol(path)
        self._told(name, lambda: self._names.rmdir(name, name))

    def rm_file(self, path: str) -> None:
        name = self._strip_protocol(path)
        self._told(name, lambda: self._names.remove(name, name))
        self._move_times(name, None)

    def rm(self, path: Any, recursive: bool = False, maxdepth: int | None = None) -> None:
        """Files, and with `recursive` what is below directories, the deepest first."""
        for name in reversed(self.expand_path(path, recursive=recursive, maxdepth=maxdepth)):
            (self.rmdir if self.isdir(name) else self.rm_file)(name)

    def cp_file(self, path1: str, path2: str, **_options: Any) -> None:
        """A copy, read whole and written whole."""
        if self.isdir(path1):
            self.makedirs(path2, exist_ok=True)
        else:
            self.pipe_file(path2, self.cat_file(path1))

    def mv(self, path1: str, path2: str, recursive: bool = False, maxdepth: int | None = None, **options: Any) -> None:
        """Of one file to a new name: one step of the store, whole or not at all. Else copies, then removes."""
        old, new = self._strip_protocol(path1), self._strip_protocol(path2)
        if self.isfile(old) and not self.isdir(new) and not path2.endswith("/"):
            self._told(old, lambda: self._names.rename(old, new))
            self._move_times(old, new)
        else:
            super().mv(path1, path2, recursive=recursive, maxdepth=maxdepth, **options)

    def touch(self, path: str, truncate: bool = True, **_options: Any) -> None:
        self.open(path, "wb" if truncate else "ab").close()

    def _move_times(self, old: str, new: str | None) -> None:
        """A file that was there before this file system keeps the time at which that was opened."""
        for times in (self._created, self._modified):
            time = times.pop(old, self._opened_at)
            if new is not None:
                times[new] = time

    def _told(self, name: str, action: Any) -> Any:
        """Errors name the path. An image is mounted anew if its file is another one by now."""
        self._look_again()
        with self._names.told(name):
            return action()

    def _look_again(self) -> None:
        if self._image is None or not os.path.exists(self._image):  # what has been read stays
            return
        found = os.stat(self._image)
        if _told_apart(found) != _told_apart(self._image_state):
            self.store = _mounted(self._image, self._start)
            self._names = OsFunctions(self.store, "")
            self._opened_at, self._image_state = _changed_at(found), found


def _told_apart(state: os.stat_result | None) -> tuple[int, ...]:
    return () if state is None else (state.st_mtime_ns, state.st_size, state.st_ino)


def _changed_at(image: os.stat_result | None) -> datetime:
    """When an image's file was changed last; now, if there is none."""
    return datetime.now(UTC) if image is None else datetime.fromtimestamp(image.st_mtime, UTC)


def _mounted(path: str, start: int | None) -> AnyStore:
    try:
        if start is None and is_card(path):
            return store_on(path, read_only=True)
        return read_image(path, start).mount()
    except BadImage as error:
        raise ValueError(str(error)) from None
