"""An open file of a store, as a raw binary stream."""

from __future__ import annotations

from collections.abc import Sequence
from operator import index
from typing import Protocol

from simfs.files.modes import Mode
from simfs.files.names import Name
from simfs.files.opened.stream import Stream
from simfs.flash import NoPower
from simfs.store.file_bytes import FileBytes, Filled
from simfs.store.format.codec import SIZE_MAX
from simfs.store.tables.spans import FileNode
from simfs.store.volume import Volume


class Opener(Protocol):
    """What an open file needs of the store that opened it."""

    files_open: int
    dropped: bool

    @property
    def volume(self) -> Volume: ...


class StoreFile(Stream):
    """What `Store.open` gives. A write waits in the file's buffer (shared by all its handles) and is durable once
    that spills: when it is full, at `flush` and at `close`. Reading costs the headers of a run's frames up to the
    one that holds the byte, and the frames that hold the bytes; CorruptStore when one of them is damaged. A spill and a
    truncate are one frame each."""

    size_bytes_max = SIZE_MAX
    __slots__ = ("_bytes", "_node")

    _store: Opener

    def __init__(self, store: Opener, contents: FileBytes, node: FileNode, name: Name, mode: Mode) -> None:
        self._bytes = contents
        self._node = node
        super().__init__(store, name, mode)
        node.handles += 1

    def read(self, size: int | None = -1, /) -> bytes | None:
        """Up to `size` bytes from the position on, fewer only at the end; all of them for None or less than 0."""
        length = -1 if size is None else index(size)
        if length < 0:
            return super().read(-1)
        self._check("reading", self._mode.reads)
        data = self._bytes.read(self._node, self._at, length)
        self._at += len(data)
        return data

    def size_bytes(self) -> int:
        """The file's size, with what waits in its buffer. RAM only."""
        self._check_open()
        return self._size()

    def sure_bytes(self) -> int:
        """So many bytes the file is sure to take, from anywhere in it on or behind it, whatever else is in the store: 0
        where it may fail, or each program is told. RAM only."""
        return self._bytes.sure_bytes() if self._writes and not self.closed else 0

    def together_bytes(self, offset: int, least: int, most: int) -> int:
        """So many bytes, of at most so many from `offset` on, may be written at once; 0 where it is not worth a look.
        RAM only."""
        return self._bytes.together_bytes(self._node, offset, least, most)

    def write_together(self, offset: int, parts: Sequence[bytes]) -> tuple[list[Filled], int]:
        """As many writes from `offset` on, which may be done at once: those that filled the file's buffer, and the
        bytes programmed."""
        self._check("writing", self._writes)
        self._at = offset + sum(map(len, parts))
        return self._bytes.write_together(self._node, offset, parts)

    def flush(self) -> None:
        """Make durable what waits in the file's buffer. One frame, none when nothing waits."""
        if self._writes and self._node.buffer:
            self._bytes.spill(self._node)
        else:
            self._check_open()

    def close(self) -> None:
        """Flush, then close the file. After a power cut files close silently, and what waited is lost."""
        if self._is_closed:  # a store that was dropped still wants to know that the file is gone
            return
        node = self._node
        try:
            if self._writes and node.buffer:
                self._bytes.spill(node)
        except NoPower:
            pass
        finally:
            self._is_closed = True
            self._writes = False
            self._let_go()

    def _size(self) -> int:
        node = self._node
        return self._bytes.size(node) if node.buffer else node.size

    def _get(self, at: int, length: int) -> bytes:
        return self._bytes.read(self._node, at, length)

    def _put(self, at: int, data: bytes) -> None:
        self._bytes.write(self._node, at, data)

    def _resize(self, size_bytes: int) -> None:
        self._store.volume.truncate(self._node, size_bytes)

    def _settle(self) -> None:
        self._bytes.spill(self._node)

    def _let_go(self) -> None:
        node, volume = self._node, self._store.volume
        node.handles -= 1
        self._store.files_open -= 1
        if not node.handles and node.name is None and volume.state.flash.powered:
            volume.release(node)
