"""File descriptors for a store's files, which have none: numbers that no other file of the process has, and what the
functions of `os` that take one do on a store.

Behind each number stands a descriptor of the host's that can be neither read nor written, so that whatever uses it past
Python, in C, is refused (EBADF) and does nothing unseen.
"""

from __future__ import annotations

import errno
import io
import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from simfs.files.modes import parse_mode

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer

NO_DESCRIPTOR = "a store's file has no descriptor that code in C could use; read and write it with Python's functions"
T = TypeVar("T")
_host_open, _host_close = os.open, os.close


def refusal(number: int) -> OSError:
    return OSError(number, os.strerror(number))


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """What `open` made: a stream of the store's, or a directory (None). `changed` is told when its bytes change."""

    name: str
    stream: io.RawIOBase | None
    reads: bool
    writes: bool
    changed: Callable[[], None]

    def file(self, allowed: bool = True) -> io.RawIOBase:
        """EISDIR for a directory, EBADF where it was not opened for this."""
        if self.stream is None:
            raise refusal(errno.EISDIR)
        if not allowed:
            raise refusal(errno.EBADF)
        return self.stream

    def size_bytes(self) -> int:
        stream = self.file()
        at = stream.tell()
        try:
            return stream.seek(0, os.SEEK_END)
        finally:
            stream.seek(at)

    def write(self, data: ReadableBuffer) -> int:
        written = self.file(self.writes).write(data)
        self.changed()
        return written

    def truncate(self, length: int) -> None:
        self.file(self.writes).truncate(length)
        self.changed()


class Descriptors:
    """The numbers that are open. What takes one of them is named as in `os`."""

    def __init__(self) -> None:
        self._open: dict[int, Opened] = {}

    def new(self, opened: Opened) -> int:
        number = _host_open(os.devnull, getattr(os, "O_PATH", os.O_RDONLY) | os.O_CLOEXEC)
        self._open[number] = opened
        return number

    def find(self, number: Any) -> Opened | None:
        """What is open under a number; None for a number of the host's, and for what is none."""
        return self._open.get(number) if isinstance(number, int) else None

    def close(self, number: int) -> None:
        opened = self._open.pop(number)
        _host_close(number)
        if opened.stream is not None:
            opened.stream.close()

    def let_go(self) -> None:
        """Give all numbers back; the streams stay open for whoever has them."""
        for number in list(self._open):
            del self._open[number]
            _host_close(number)

    def read(self, number: int, size: int) -> bytes:
        opened = self._open[number]
        return opened.file(opened.reads).read(size) or b""

    def pread(self, number: int, size: int, offset: int) -> bytes:
        opened = self._open[number]
        return _at(opened.file(opened.reads), offset, lambda stream: stream.read(size) or b"")

    def write(self, number: int, data: ReadableBuffer) -> int:
        return self._open[number].write(data)

    def pwrite(self, number: int, data: ReadableBuffer, offset: int) -> int:
        opened = self._open[number]
        return _at(opened.file(opened.writes), offset, lambda _: opened.write(data))

    def lseek(self, number: int, offset: int, whence: int) -> int:
        return self._open[number].file().seek(offset, whence)

    def ftruncate(self, number: int, length: int) -> None:
        opened = self._open[number]
        if not opened.writes:
            raise refusal(errno.EINVAL)
        opened.truncate(length)

    def fsync(self, number: int) -> None:
        """What waits goes to the flash; names are there already, so a directory has nothing to do."""
        opened = self._open[number]
        if opened.stream is not None and opened.writes:
            opened.stream.flush()

    fdatasync = fsync

    def isatty(self, number: int) -> bool:
        return number not in self._open

    def dup(self, number: int, *_more: Any) -> int:
        raise OSError(errno.ENOTSUP, NO_DESCRIPTOR, self._open[number].name)

    dup2 = dup


def _at(stream: io.RawIOBase, offset: int, action: Callable[[io.RawIOBase], T]) -> T:
    """Do it at an offset, and go back."""
    before = stream.tell()
    stream.seek(offset)
    try:
        return action(stream)
    finally:
        stream.seek(before)


class OpenedFile(io.RawIOBase):
    """What `io.open` gives, unbuffered, for a path or a number; a number is taken when one is first asked for."""

    def __init__(
        self, opened: Opened, mode: str, descriptors: Descriptors, number: int | None = None, closes: bool = True
    ) -> None:
        self.name: Any = number
        self._opened, self._stream = opened, opened.file()
        self._descriptors, self._number, self._closes = descriptors, number, closes
        self._mode = parse_mode(mode.replace("x", "w") if number is not None else mode)
        self.mode = self._mode.text

    def readable(self) -> bool:
        self._check()
        return self._mode.reads

    def writable(self) -> bool:
        self._check()
        return self._mode.writes

    def seekable(self) -> bool:
        self._check()
        return True

    def fileno(self) -> int:
        self._check()
        if self._number is None:
            self._number = self._descriptors.new(self._opened)
        return self._number

    def readinto(self, buffer: WriteableBuffer, /) -> int | None:
        self._check("reading", self._mode.reads)
        return self._opened.file(self._opened.reads).readinto(buffer)

    def read(self, size: int | None = -1, /) -> bytes | None:
        return super().read(-1 if size is None else size)

    def write(self, data: ReadableBuffer, /) -> int:
        self._check("writing", self._mode.writes)
        return self._opened.write(data)

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        self._check()
        return self._stream.seek(offset, whence)

    def tell(self) -> int:
        self._check()
        return self._stream.tell()

    def truncate(self, size: int | None = None, /) -> int:
        self._check("writing", self._mode.writes)
        length = self.tell() if size is None else size
        self._opened.truncate(length)
        return length

    def flush(self) -> None:
        if self.closed:
            self._check()
        if self._mode.writes and not self._stream.closed:
            self._stream.flush()

    def close(self) -> None:
        """Close the stream, and give the number back."""
        if self.closed:
            return
        try:
            if not self._closes:
                self.flush()
            elif self._descriptors.find(self._number) is self._opened:
                self._descriptors.close(self._number or 0)
            else:
                self._stream.close()
        finally:
            self._mode = parse_mode("r")  # nothing is left to flush
            super().close()

    def _check(self, direction: str = "", allowed: bool = True) -> None:
        if self.closed or self._stream.closed:
            raise ValueError("I/O operation on closed file")
        if not allowed:
            raise io.UnsupportedOperation(errno.EBADF, f"File not open for {direction}", self.name)
