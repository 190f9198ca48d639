"""The files of the in-memory model: what they hold, what of it is durable, and how they are read and written."""

from __future__ import annotations

import errno
import io
import os
from operator import index
from typing import TYPE_CHECKING, Protocol

from simfs.files.memory_medium import MemoryMedium, MemoryMeters
from simfs.files.modes import Mode
from simfs.files.names import Name

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer


class Memory(Protocol):
    """What files need of the store that holds them."""

    dropped: bool
    medium: MemoryMedium
    meters: MemoryMeters

    def admit(self, growth_bytes: int) -> None:
        """ENOSPC where a file that grows so much has no room."""


class Contents:
    """The contents of one file, named or not. `acknowledged` is what the last persistence event left on the flash."""

    def __init__(self, memory: Memory, contents: bytes = b"") -> None:
        self.contents = bytearray(contents)
        self.acknowledged = contents
        self._memory = memory
        self.waiting: list[tuple[int, bytes]] = []  # writes since then: offset, data

    def write(self, at: int, data: bytes) -> None:
        self._memory.admit(max(at + len(data) - len(self.contents), 0))
        self._put(self.contents, at, data)
        self.waiting.append((at, data))
        self._memory.meters.host_bytes += len(data)

    def resize(self, size_bytes: int) -> None:
        """Cut, or extend with zeros. A persistence event."""
        self._memory.admit(max(size_bytes - len(self.contents), 0))
        del self.contents[size_bytes:]
        self.contents.extend(bytes(size_bytes - len(self.contents)))
        self.acknowledge()

    def acknowledge(self) -> None:
        if self.waiting:
            size_bytes = sum(len(data) for _, data in self.waiting)
            self._memory.medium.program(size_bytes)
            self._memory.meters.payload_bytes_programmed += size_bytes
        self.acknowledged = bytes(self.contents)
        self.waiting.clear()

    def may_survive(self, contents: bytes, buffer_bytes: int) -> bool:
        """Whether a power cut now may leave `contents`: the first of the waiting bytes were spilled, the rest is lost.
        What is lost stood in a buffer: it is for no more than `buffer_bytes` places in the file."""
        written = [(place, byte) for at, data in self.waiting for place, byte in enumerate(data, at)]
        lost: set[int] = set()
        spilled = len(written)
        while spilled and (len(lost) < buffer_bytes or written[spilled - 1][0] in lost):
            spilled -= 1
            lost.add(written[spilled][0])
        partly = bytearray(self.acknowledged)
        for count, (place, byte) in enumerate(written):
            if count >= spilled and partly == contents:
                return True
            self._put(partly, place, bytes([byte]))
        return partly == contents

    @staticmethod
    def _put(contents: bytearray, at: int, data: bytes) -> None:
        contents.extend(bytes(max(0, at - len(contents))))
        contents[at : at + len(data)] = data


class ModelFile(io.RawIOBase):
    """An open file of the model."""

    def __init__(self, memory: Memory, file: Contents, name: Name, mode: Mode) -> None:
        self._memory = memory
        self._file = file
        self._mode = mode
        self._at = len(file.contents) if mode.appends else 0
        self.name = name
        self.mode = mode.text

    @property
    def closed(self) -> bool:
        """Whether it was closed, or its store dropped."""
        return super().closed or self._memory.dropped

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
        self._check("reading", self._mode.reads)
        target = memoryview(buffer).cast("B")
        data = self._file.contents[self._at : self._at + len(target)]
        target[: len(data)] = data
        self._at += len(data)
        self._memory.medium.read(len(data))
        return len(data)

    def write(self, data: ReadableBuffer, /) -> int:
        self._check("writing", self._mode.writes)
        taken = memoryview(data).cast("B").tobytes()
        if taken:
            at = len(self._file.contents) if self._mode.appends else self._at
            self._file.write(at, taken)
            self._at = at + len(taken)
        return len(taken)

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        self._check_open()
        starts = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: len(self._file.contents)}
        if whence not in starts or starts[whence] + index(offset) < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), self.name)
        self._at = starts[whence] + index(offset)
        return self._at

    def tell(self) -> int:
        self._check_open()
        return self._at

    def truncate(self, size: int | None = None, /) -> int:
        self._check("writing", self._mode.writes)
        size_bytes = self._at if size is None else index(size)
        if size_bytes < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), self.name)
        self._file.resize(size_bytes)
        return size_bytes

    def flush(self) -> None:
        super().flush()
        if self._mode.writes:
            self._file.acknowledge()

    def close(self) -> None:
        if not self.closed:
            super().close()  # flushes

    def _check_open(self) -> None:
        if self.closed:
            raise ValueError("I/O operation on closed file")

    def _check(self, direction: str, allowed: bool) -> None:
        self._check_open()
        if not allowed:
            raise io.UnsupportedOperation(errno.EBADF, f"File not open for {direction}", self.name)
