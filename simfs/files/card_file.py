"""An open file on a card, as a raw binary stream."""

from __future__ import annotations

import errno
import io
import os
from operator import index
from typing import TYPE_CHECKING, Protocol

from simfs.fat.driver.open_file import OpenFile
from simfs.fat.driver.volume import Volume
from simfs.files.contract import Meters
from simfs.files.modes import Mode
from simfs.files.names import Name

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer


class CardOpener(Protocol):
    """What an open file needs of the store that opened it."""

    files_open: int
    dropped: bool
    volume: Volume

    @property
    def meters(self) -> Meters: ...


class CardFile(io.RawIOBase):
    """What `CardStore.open` gives. A sector of the file is kept in RAM, for all its handles; it is written when it is
    full, when another is wanted, at `flush` and at `close`. What it holds counts after a cut once the directory entry
    says so: at `flush` and at `close`."""

    def __init__(self, store: CardOpener, file: OpenFile, name: Name, mode: Mode) -> None:
        self._store, self._file, self._mode = store, file, mode
        self._at = file.size if mode.appends else 0
        self._is_closed = False
        self.name, self.mode = name, mode.text

    @property
    def closed(self) -> bool:
        """Whether it was closed, or its store dropped."""
        return self._is_closed or self._store.dropped

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
        """Fill `buffer` from the position on. Returns how many bytes there were. Unreadable, BadVolume."""
        self._check("reading", self._mode.reads)
        target = memoryview(buffer).cast("B")
        data = self._store.volume.bytes.read(self._file, self._at, len(target))
        target[: len(data)] = data
        self._at += len(data)
        return len(data)

    def write(self, data: ReadableBuffer, /) -> int:
        """All of `data`, or none of it: ENOSPC when it has no room, EFBIG past 4 GiB - 1."""
        self._check("writing", self._mode.writes)
        taken = memoryview(data).cast("B").tobytes()
        if taken:
            at = self._file.size if self._mode.appends else self._at
            self._store.volume.bytes.write(self._file, at, taken)
            self._store.meters.host_bytes += len(taken)
            self._at = at + len(taken)
        return len(taken)

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        """Move the position; EINVAL, and the position stays, when that were before the start."""
        self._check_open()
        starts = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._file.size}
        if whence not in starts or starts[whence] + index(offset) < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), self.name)
        self._at = starts[whence] + index(offset)
        return self._at

    def tell(self) -> int:
        self._check_open()
        return self._at

    def truncate(self, size: int | None = None, /) -> int:
        """Cut the file, or extend it with zeros, which are written; on the card at once. The position stays."""
        self._check("writing", self._mode.writes)
        size_bytes = self._at if size is None else index(size)
        if size_bytes < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), self.name)
        self._store.volume.bytes.resize(self._file, size_bytes)
        return size_bytes

    def flush(self) -> None:
        """Write what waits: the data, the table, the directory entry. Nothing when nothing waits."""
        self._check_open()
        if self._mode.writes:
            self._store.volume.bytes.flush(self._file)

    def close(self) -> None:
        """Flush, then close the file."""
        if self.closed:
            return
        try:
            self.flush()
        finally:
            self._is_closed = True
            self._store.files_open -= 1
            self._store.volume.close(self._file)

    def _check_open(self) -> None:
        if self.closed:
            raise ValueError("I/O operation on closed file")

    def _check(self, direction: str, allowed: bool) -> None:
        self._check_open()
        if not allowed:
            raise io.UnsupportedOperation(errno.EBADF, f"File not open for {direction}", self.name)
