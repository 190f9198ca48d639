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
    """Writes at an offset that are done at once: one, or several that only fill the file's buffer."""

    offset: int
    parts: list[bytes]
    due_ns: int  # when the last of them came


class Deferred:
    """The writes that wait to be done, all through one handle. Only such as the store is sure to take."""

    def __init__(self) -> None:
        self.handle: Handle | None = None
        self._parts: list[bytes] = []
        self._ends: list[int] = []  # offsets at which each ends
        self._due_ns: list[int] = []
        self._start = self._end = self._limit = 0

    def __bool__(self) -> bool:
        return self.handle is not None

    def goes_on(self, handle: Handle, offset: int, data: bytes, due_ns: int) -> bool:
        """Take a write that follows those which wait. False where it does not, or they are many."""
        if handle is not self.handle or (offset != self._end and not handle.appends):
            return False
        end = self._end = self._end + len(data)
        parts = self._parts
        if end > self._limit or len(parts) == COUNT_MAX:
            return False
        parts.append(data)
        self._ends.append(end)
        self._due_ns.append(due_ns)
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
        parts, ends, due_ns, at, handle = self._parts, self._ends, self._due_ns, self._start, self.handle
        self.handle, self._parts, self._ends, self._due_ns = None, [], [], []
        assert handle is not None
        assert isinstance(handle.stream, StoreFile)
        handle.written_to = ends[-1]
        done = 0
        while done < len(parts):
            quiet_bytes = handle.stream.quiet_bytes(at) if may_join else 0
            together = max(bisect_right(ends, at + quiet_bytes, done), done + 1)
            yield Writes(at, parts[done:together], due_ns[together - 1])
            at, done = ends[together - 1], together
