"""What an open file of every kind of store has in common: its mode, its position, and how it is closed."""

from __future__ import annotations

import errno
import io
import os
from abc import abstractmethod
from operator import index
from typing import TYPE_CHECKING, Protocol

from simfs.files.modes import Mode
from simfs.files.names import Name

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer


class Dropping(Protocol):
    """What an open file needs to know of the store that opened it."""

    @property
    def dropped(self) -> bool: ...


class Stream(io.RawIOBase):
    """An open file as a raw binary stream. A kind of store says how bytes are read and put, and what closing does.

    Errors: ValueError once it is closed, UnsupportedOperation (EBADF) for what its mode does not allow.
    """

    __slots__ = ("_at", "_is_closed", "_mode", "_store", "_writes", "name")

    def __init__(self, store: Dropping, name: Name, mode: Mode) -> None:
        """`_size` is asked here already where the mode appends, so a kind sets its own attributes first."""
        self._store = store
        self._mode = mode
        self._writes = mode.writes
        self._is_closed = False
        self.name = name
        self._at = self._size() if mode.appends else 0

    @abstractmethod
    def _size(self) -> int:
        """The file's size in bytes, with what waits."""

    @abstractmethod
    def _get(self, at: int, length: int) -> bytes:
        """Up to `length` bytes from byte `at` on."""

    @abstractmethod
    def _put(self, at: int, data: bytes) -> None:
        """Write all of `data`, or none of it."""

    @abstractmethod
    def _resize(self, size_bytes: int) -> None:
        """Cut the file, or extend it with zeros."""

    @abstractmethod
    def _settle(self) -> None:
        """Make durable what waits. Asked only where the mode writes."""

    @abstractmethod
    def _let_go(self) -> None:
        """The file was closed: tell the store."""

    @property
    def closed(self) -> bool:
        """Whether it was closed, or its store dropped."""
        return self._is_closed or self._store.dropped

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
        """Fill `buffer` from the position on. Returns how many bytes there were; the store's error where they can't be
        read."""
        self._check("reading", self._mode.reads)
        target = memoryview(buffer).cast("B")
        data = self._get(self._at, len(target))
        target[: len(data)] = data
        self._at += len(data)
        return len(data)

    def write(self, data: ReadableBuffer, /) -> int:
        """All of `data`, or none of it: ENOSPC when it has no room, EFBIG past 4 GiB - 1."""
        if not self._writes or self._store.dropped:
            self._check("writing", self._mode.writes)
        taken = data if type(data) is bytes else memoryview(data).cast("B").tobytes()
        if not taken:
            return 0
        at = self._size() if self._mode.appends else self._at
        self._put(at, taken)
        self._at = at + len(taken)
        return len(taken)

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        """Move the position; EINVAL, and the position stays, when that were before the start."""
        self._check_open()
        at = index(offset)
        if whence == io.SEEK_CUR:
            at += self._at
        elif whence == io.SEEK_END:
            at += self._size()
        if at < 0 or whence not in (io.SEEK_SET, io.SEEK_CUR, io.SEEK_END):
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), self.name)
        self._at = at
        return at

    def tell(self) -> int:
        self._check_open()
        return self._at

    def truncate(self, size: int | None = None, /) -> int:
        """Cut the file, or extend it with zeros; durable at once. The position stays."""
        self._check("writing", self._mode.writes)
        size_bytes = self._at if size is None else index(size)
        if size_bytes < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), self.name)
        self._resize(size_bytes)
        return size_bytes

    def flush(self) -> None:
        """Make durable what waits; nothing when nothing waits."""
        self._check_open()
        if self._mode.writes:
            self._settle()

    def close(self) -> None:
        """Flush, then close the file."""
        if self.closed:
            return
        try:
            self.flush()
        finally:
            self._is_closed = True
            self._writes = False
            self._let_go()

    def _check_open(self) -> None:
        if self._is_closed or self._store.dropped:
            raise ValueError("I/O operation on closed file")

    def _check(self, direction: str, allowed: bool) -> None:
        self._check_open()
        if not allowed:
            raise io.UnsupportedOperation(errno.EBADF, f"File not open for {direction}", self.name)
