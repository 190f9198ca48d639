"""An open file of a store, as a raw binary stream."""

from __future__ import annotations

import errno
import io
import os
from operator import index
from typing import TYPE_CHECKING, Protocol

from simfs.files.modes import Mode
from simfs.files.names import Name
from simfs.flash import NoPower
from simfs.store.file_bytes import FileBytes
from simfs.store.format.codec import SIZE_MAX
from simfs.store.tables.spans import FileNode
from simfs.store.volume import Volume

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer


class Opener(Protocol):
    """What an open file needs of the store that opened it."""

    files_open: int
    dropped: bool

    @property
    def volume(self) -> Volume: ...


class StoreFile(io.RawIOBase):
    """What `Store.open` gives. A write waits in the file's buffer (shared by all its handles) and is durable once
    that spills: when it is full, at `flush` and at `close`. Reading costs the headers of a run's frames up to the
    one that holds the byte, and the frames that hold the bytes; a spill is one frame."""

    size_bytes_max = SIZE_MAX
    __slots__ = ("_at", "_bytes", "_closed", "_mode", "_node", "_store", "_writes", "name")

    def __init__(self, store: Opener, contents: FileBytes, node: FileNode, name: Name, mode: Mode) -> None:
        self._store = store
        self._bytes = contents
        self._node = node
        self._mode = mode
        self._writes = mode.writes
        self._at = contents.size(node) if mode.appends else 0
        self.name = name
        self._closed = False
        node.handles += 1

    @property
    def closed(self) -> bool:
        """Whether it was closed, or its store dropped."""
        return self._closed or self._store.dropped

    @property
    def mode(self) -> str:
        """The open mode in its one canonical spelling."""
        return self._mode.text

    def readable(self) -> bool:
        self._check_open()
        return self._mode.reads

    def writable(self) -> bool:
        self._check_open()
        return self._mode.writes

    def seekable(self) -> bool:
        self._check_open()
        return True

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Fill `buffer` from the position on. Returns how many bytes there were. CorruptStore when one of their frames
        is damaged."""
        self._check("reading", self._mode.reads)
        target = memoryview(buffer).cast("B")
        data = self._bytes.read(self._node, self._at, len(target))
        target[: len(data)] = data
        self._at += len(data)
        return len(data)

    def read(self, size: int | None = -1, /) -> bytes | None:
        """Up to `size` bytes from the position on, fewer only at the end; all of them for None or less than 0."""
        length = -1 if size is None else index(size)
        if length < 0:
            return super().read(-1)
        self._check("reading", self._mode.reads)
        data = self._bytes.read(self._node, self._at, length)
        self._at += len(data)
        return data

    def write(self, data: ReadableBuffer, /) -> int:
        """All of `data`, or none of it: ENOSPC when it has no room, EFBIG past 4 GiB - 1."""
        if not self._writes or self._store.dropped:
            self._check("writing", self._writes)
        taken = data if type(data) is bytes else memoryview(data).cast("B").tobytes()
        if not taken:
            return 0
        contents, node = self._bytes, self._node
        at = (contents.size(node) if node.buffer else node.size) if self._mode.appends else self._at
        contents.write(node, at, taken)
        self._at = at + len(taken)
        return len(taken)

    def size_bytes(self) -> int:
        """The file's size, with what waits in its buffer. RAM only."""
        self._check_open()
        return self._bytes.size(self._node)

    def sure_bytes(self) -> int:
        """So many bytes the file is sure to take, from anywhere in it on or behind it, whatever else is in the store: 0
        where it may fail, or each program is told. RAM only."""
        return self._bytes.sure_bytes() if self._writes and not self.closed else 0

    def quiet_bytes(self, offset: int) -> int:
        """So many bytes, written from `offset` on, only wait in the file's buffer. RAM only."""
        return self._bytes.quiet_bytes(self._node, offset)

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        """Move the position; EINVAL, and the position stays, when that were before the start."""
        self._check_open()
        at = index(offset)
        if whence == io.SEEK_CUR:
            at += self._at
        elif whence == io.SEEK_END:
            at += self._bytes.size(self._node)
        if at < 0 or whence not in (io.SEEK_SET, io.SEEK_CUR, io.SEEK_END):
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), self.name)
        self._at = at
        return at

    def tell(self) -> int:
        self._check_open()
        return self._at

    def truncate(self, size: int | None = None, /) -> int:
        """Cut the file, or extend it with zeros; durable at once. The position stays. One frame."""
        self._check("writing", self._writes)
        size_bytes = self._at if size is None else index(size)
        if size_bytes < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), self.name)
        self._store.volume.truncate(self._node, size_bytes)
        return size_bytes

    def flush(self) -> None:
        """Make durable what waits in the file's buffer. One frame, none when nothing waits."""
        if self._writes and self._node.buffer:
            self._bytes.spill(self._node)
        else:
            self._check_open()

    def close(self) -> None:
        """Flush, then close the file. After a power cut files close silently, and what waited is lost."""
        if self._closed:
            return
        node = self._node
        try:
            if self._writes and node.buffer:
                self._bytes.spill(node)
        except NoPower:
            pass
        finally:
            self._closed = True
            self._writes = False
            node.handles -= 1
            self._store.files_open -= 1
            volume = self._store.volume
            if not node.handles and node.name is None and volume.state.flash.powered:
                volume.release(node)

    def _check_open(self) -> None:
        if self._closed or self._store.dropped:
            raise ValueError("I/O operation on closed file")

    def _check(self, direction: str, allowed: bool) -> None:
        self._check_open()
        if not allowed:
            raise io.UnsupportedOperation(errno.EBADF, f"File not open for {direction}", self.name)
