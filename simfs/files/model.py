"""A store without flash: files as byte arrays in a dict, behind the same names as `Store`. The truth for tests.

Clarity goes before speed. It never fills up: where the store refuses with ENOSPC, a test leaves the operation out
here. What waits in a write buffer is held apart, so that `faults_after_cut()` can judge what a power cut left.
"""

from __future__ import annotations

import errno
import io
import os
from operator import index
from types import SimpleNamespace
from typing import TYPE_CHECKING
from weakref import WeakSet

from simfs.files.modes import Mode, parse_mode
from simfs.files.names import Name, NameRule
from simfs.store.format.config import StoreConfig

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer


class _File:
    """The contents of one file, named or not. `acknowledged` is what the last persistence event left on the flash."""

    def __init__(self, contents: bytes = b"") -> None:
        self.contents = bytearray(contents)
        self.acknowledged = contents
        self.waiting: list[tuple[int, bytes]] = []  # writes since then: offset, data

    def write(self, at: int, data: bytes) -> None:
        self._put(self.contents, at, data)
        self.waiting.append((at, data))

    def resize(self, size_bytes: int) -> None:
        """Cut, or extend with zeros. A persistence event."""
        del self.contents[size_bytes:]
        self.contents.extend(bytes(size_bytes - len(self.contents)))
        self.acknowledge()

    def acknowledge(self) -> None:
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

    def __init__(self, model: Model, file: _File, name: Name, mode: Mode) -> None:
        self._model = model
        self._file = file
        self._mode = mode
        self._at = len(file.contents) if mode.appends else 0
        self.name = name
        self.mode = mode.text
        model._open.add(self)

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
            self._model._open.discard(self)

    def _check_open(self) -> None:
        if self.closed:
            raise ValueError("I/O operation on closed file")

    def _check(self, direction: str, allowed: bool) -> None:
        self._check_open()
        if not allowed:
            raise io.UnsupportedOperation(errno.EBADF, f"File not open for {direction}", self.name)


class Model:
    """What a store with this configuration must look like from outside."""

    def __init__(self, config: StoreConfig | None = None) -> None:
        self.config = config or StoreConfig()
        self.prefix = ""
        self.names_cut = 0
        self._rule = NameRule(self.config.name_bytes, self.config.overlong, self.config.fold_case, self._note_cut)
        self._names: dict[bytes, tuple[bytes, _File]] = {}  # by key: the name as created, and its file
        self._open: WeakSet[ModelFile] = WeakSet()

    @property
    def files_open(self) -> int:
        return len(self._open)

    def open(self, name: Name, mode: str = "r") -> ModelFile:
        meaning = parse_mode(mode)
        encoded, key = self._find(name)
        if len(self._open) >= self.config.open_files_max:
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE), name)
        if key in self._names:
            if meaning.exclusive:
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name)
        else:
            if meaning.must_exist:
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), name)
            self._names[key] = (encoded, _File())
        file = self._names[key][1]
        if meaning.truncates:
            file.resize(0)
        return ModelFile(self, file, name, meaning)

    def names(self, prefix: str = "") -> list[str]:
        decoded = (NameRule.decode(encoded) for encoded, _ in self._names.values())
        return sorted(name for name in decoded if name.startswith(prefix))

    def exists(self, name: Name) -> bool:
        try:
            self._existing(name)
        except (OSError, ValueError):
            return False
        return True

    def stat(self, name: Name) -> SimpleNamespace:
        return SimpleNamespace(size_bytes=len(self._existing(name).contents))

    def remove(self, name: Name) -> None:
        self._existing(name)
        del self._names[self._find(name)[1]]

    def rename(self, old: Name, new: Name) -> None:
        encoded, key = self._find(new)
        file = self._existing(old)
        del self._names[self._find(old)[1]]
        self._names[key] = (encoded, file)

    def truncate(self, name: Name, size: int) -> None:
        file = self._existing(name)
        if size < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), name)
        file.resize(size)

    def contents(self) -> dict[str, bytes]:
        """Every file as a program sees it now."""
        return {NameRule.decode(encoded): bytes(file.contents) for encoded, file in self._names.values()}

    def durable(self) -> dict[str, bytes]:
        """Every file as it is at least after a power cut now: what the persistence events have acknowledged."""
        return {NameRule.decode(encoded): file.acknowledged for encoded, file in self._names.values()}

    def faults_after_cut(self, left: dict[str, bytes], in_flight_bytes: int = 0) -> list[str]:
        """What the durability rule forbids in `left`, found after a power cut; so much of a write was in flight."""
        most = (self.config.buffer_bytes or 256) + in_flight_bytes
        files = {NameRule.decode(encoded): file for encoded, file in self._names.values()}
        faults = [f"{name!r} came from nowhere" for name in sorted(left.keys() - files.keys())]
        faults += [f"{name!r} is lost" for name in sorted(files.keys() - left.keys())]
        faults += [
            f"{name!r} is neither as acknowledged nor so with the first of the bytes written since"
            for name in sorted(files.keys() & left.keys())
            if not files[name].may_survive(left[name], most)
        ]
        return faults

    def restart(self, left: dict[str, bytes]) -> None:
        """Goes on after a power cut with what was found: open files are gone, and so are the bytes that waited."""
        self._names = {}
        for name, contents in left.items():
            encoded = self._rule.encode(name)
            self._names[self._rule.key(encoded)] = (encoded, _File(contents))
        self._open.clear()  # they keep files that nobody can reach

    def _find(self, name: Name) -> tuple[bytes, bytes]:
        encoded = self._rule.encode(name, self.prefix)
        return encoded, self._rule.key(encoded)

    def _existing(self, name: Name) -> _File:
        _, key = self._find(name)
        if key not in self._names:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), name)
        return self._names[key][1]

    def _note_cut(self, _name: bytes) -> None:
        self.names_cut += 1
