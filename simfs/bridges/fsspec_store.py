"""A store for whatever reads files through fsspec: over a live store, or over the image of one in a file, to read only.

`fsspec.filesystem("simfs", store=store)`, `fsspec.open("simfs://log/a.csv", image="returned.img")`, or as one URL
`simfs://log/a.csv::returned.img`. fsspec finds it by itself where simfs is installed.
"""

from __future__ import annotations

import errno
import io
import os
import stat
from typing import Any

try:
    from fsspec import AbstractFileSystem
except ImportError:
    raise ImportError("simfs:// needs fsspec; install it with pip install 'simfs[fsspec]'") from None

from simfs.bridges.images.source import BadImage, read_image
from simfs.bridges.os_functions import OsFunctions
from simfs.files.contract import AnyStore

BUFFER_BYTES = 4096
LOCAL = (None, "file", "local")


class Reader(io.BufferedReader):
    """A file to read; fsspec asks for its `size`, in bytes."""

    def __init__(self, raw: io.RawIOBase, buffer_bytes: int, size: int) -> None:
        super().__init__(raw, buffer_bytes)
        self.size = size


class StoreFileSystem(AbstractFileSystem):  # type: ignore[misc]
    """Files of a store by their names; directories are what names have in common, and notes for empty ones.

    Times are not kept, and transactions refused. Whoever changes the store meanwhile is seen.
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
        """Either `store`, or `image`: a file that `read_image` takes, where the store begins at `start` of it. `fo` and
        `target_protocol` are what a chained URL gives in place of `image`. ValueError, OSError."""
        super().__init__(**options)
        source = fo if image is None else os.fspath(image)
        if (store is None) == (source is None):
            raise ValueError("simfs:// needs either a store or an image: give one of store=... and image=...")
        if target_protocol not in LOCAL:
            raise ValueError(f"simfs:// reads images from local files, not over {target_protocol}; fetch it first")
        self.store = store or _mounted(str(source), start)
        self._names = OsFunctions(self.store, "")

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

    def _open(
        self,
        path: str,
        mode: str = "rb",
        block_size: int | None = None,
        autocommit: bool = True,
        cache_options: dict[str, Any] | None = None,
        **_options: Any,
    ) -> Any:
        name = self._strip_protocol(path)
        if not autocommit:
            raise OSError(errno.ENOTSUP, "a store has no transactions", name)
        raw = self._told(name, lambda: self._names.open(name, mode))
        if mode == "rb":
            return Reader(raw, block_size or BUFFER_BYTES, self.info(name)["size"])
        kind: Any = io.BufferedRandom if "+" in mode else io.BufferedWriter
        return kind(raw, block_size or BUFFER_BYTES)

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
        else:
            super().mv(path1, path2, recursive=recursive, maxdepth=maxdepth, **options)

    def touch(self, path: str, truncate: bool = True, **_options: Any) -> None:
        self.open(path, "wb" if truncate else "ab").close()

    def _told(self, name: str, action: Any) -> Any:
        """Errors name the path."""
        with self._names.told(name):
            return action()


def _mounted(path: str, start: int | None) -> AnyStore:
    try:
        return read_image(path, start).mount()
    except BadImage as error:
        raise ValueError(str(error)) from None
