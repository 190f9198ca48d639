"""The files of the in-memory model: what they hold, what of it is durable, and how they are read and written."""

from __future__ import annotations

from typing import Protocol

from simfs.files.memory_medium import MemoryMedium, MemoryMeters
from simfs.files.modes import Mode
from simfs.files.names import Name
from simfs.files.opened.stream import Stream


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


class ModelFile(Stream):
    """An open file of the model."""

    _store: Memory

    def __init__(self, memory: Memory, file: Contents, name: Name, mode: Mode) -> None:
        self._file = file
        super().__init__(memory, name, mode)

    def _size(self) -> int:
        return len(self._file.contents)

    def _get(self, at: int, length: int) -> bytes:
        data = bytes(self._file.contents[at : at + length])
        self._store.medium.read(len(data))
        return data

    def _put(self, at: int, data: bytes) -> None:
        self._file.write(at, data)

    def _resize(self, size_bytes: int) -> None:
        self._file.resize(size_bytes)

    def _settle(self) -> None:
        self._file.acknowledge()

    def _let_go(self) -> None:
        """The model counts the open files itself."""
