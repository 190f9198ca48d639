"""Writes of a program that follow each other in one file. They are noted when they come and done together soon after,
before anything else is asked of the store: what it does, and in which order, is the same."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from typing import NamedTuple

from simfs.bridges.mount.tree import Handle
from simfs.files.handle import StoreFile

BYTES_MAX, COUNT_MAX = 64 << 10, 256  # that wait at most


class Writes(NamedTuple):
    """Writes at an offset that are done at once: one, or several that need nothing but room in the open block."""

    stream: StoreFile
    offset: int
    parts: tuple[bytes, ...]
    due_ns: tuple[int, ...]  # when each of them came


class Deferred:
    """The writes that wait to be done, all through one handle. Only such as the store is sure to take."""

    def __init__(self) -> None:
        self.handle: Handle | None = None
        self._waiting: list[tuple[int, bytes, int]] = []  # where each ends, its bytes, and when it came
        self._start = self._end = self._limit = 0

    def __bool__(self) -> bool:
        return self.handle is not None

    def goes_on(self, handle: Handle, offset: int, data: bytes, due_ns: int) -> bool:
        """Take a write that follows those which wait. False where it does not, or they are many."""
        if handle is not self.handle or (offset != self._end and not handle.appends):
            return False
        self._end = end = self._end + len(data)
        waiting = self._waiting
        if end > self._limit or len(waiting) == COUNT_MAX:
            return False
        waiting.append((end, data, due_ns))
        return True

    def begins(self, handle: Handle, offset: int, data: bytes, due_ns: int) -> bool:
        """Take a write while none waits. False where it follows none, where a store may refuse it, or tells of each."""
        stream = handle.stream
        if offset != handle.written_to or not isinstance(stream, StoreFile):
            return False
        sure_bytes = min(stream.sure_bytes(), BYTES_MAX)
        if not sure_bytes:
            return False
        self._start = self._end = stream.size_bytes() if handle.appends else offset
        self._limit = min(self._start + sure_bytes, stream.size_bytes_max)
        self.handle = handle
        if self.goes_on(handle, self._start, data, due_ns):
            return True
        self.handle = None
        return False

    def let_go(self, may_join: bool) -> Iterator[Writes]:
        """Nothing waits any more: what did, in its order. `may_join`: several may be done at once."""
        ends, parts, due_ns = zip(*self._waiting, strict=True)
        at, handle = self._start, self.handle
        self.handle, self._waiting = None, []
        assert handle is not None
        stream = handle.stream
        assert isinstance(stream, StoreFile)
        handle.written_to = ends[-1]
        done, last = 0, len(parts) - 1
        while done <= last:
            together = done + 1
            if may_join and done < last:
                joined_bytes = stream.together_bytes(at, ends[together] - at, ends[-1] - at)
                together = max(bisect_right(ends, at + joined_bytes, done), together)
            yield Writes(stream, at, parts[done:together], due_ns[done:together])
            at, done = ends[together - 1], together
