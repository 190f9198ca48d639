"""A store for a program that flushes and closes its files less often: to measure what that is worth."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, cast

from simfs.files.contract import AnyStore
from simfs.files.modes import parse_mode
from simfs.files.names import Name

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer


class SeldomFlushed:
    """Passes everything on to a store, except that of the flushes and closes of one file only each n-th counts. Between
    them the file stays open, as a program would leave it."""

    def __init__(self, store: AnyStore, name: str, every: int) -> None:
        self._store, self._name, self._every = store, name, every
        self._kept: _KeptOpen | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    def open(self, name: Name, mode: str = "r") -> io.RawIOBase:
        if name != self._name:
            return self._store.open(name, mode)
        kept, meaning = self._kept, parse_mode(mode)
        anew = meaning.truncates or meaning.exclusive
        if kept is not None and not (kept.in_use or anew) and (kept.readable() or not meaning.reads):
            kept.in_use = True
            kept.seek(0)
            return kept
        self.let_go()
        file = _KeptOpen(self._store.open(name, mode), self._every)
        if file.writable():
            self._kept = file
        return file

    def remove(self, name: Name) -> None:
        self._let_go_of(name)
        self._store.remove(name)

    def rename(self, old: Name, new: Name) -> None:
        self._let_go_of(old)
        self._let_go_of(new)
        self._store.rename(old, new)

    def truncate(self, name: Name, size: int) -> None:
        self._let_go_of(name)
        self._store.truncate(name, size)

    def boot(self) -> AnyStore:
        return cast("AnyStore", SeldomFlushed(self._store.boot(), self._name, self._every))

    def let_go(self) -> None:
        """Close the file for good, as at the end of a run."""
        if self._kept is not None:
            self._kept.close_now()
            self._kept = None

    def _let_go_of(self, name: Name) -> None:
        if name == self._name:
            self.let_go()


class _KeptOpen(io.RawIOBase):
    """An open file that is flushed each n-th time."""

    def __init__(self, file: io.RawIOBase, every: int) -> None:
        self._file, self._every = file, every
        self._asked = 0
        self.in_use = True

    def readable(self) -> bool:
        return self._file.readable()

    def writable(self) -> bool:
        return self._file.writable()

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        return cast("int", self._file.readinto(buffer))

    def write(self, data: ReadableBuffer, /) -> int | None:
        return self._file.write(data)

    def truncate(self, size: int | None = None, /) -> int:
        return self._file.truncate(size)

    def flush(self) -> None:
        self._asked += 1
        if not self._asked % self._every and not self._file.closed:
            self._file.flush()

    def close(self) -> None:
        if self.in_use:
            self.flush()
            self.in_use = False
        if not self.writable():
            self._file.close()

    def close_now(self) -> None:
        """Let the file go for good."""
        if not self._file.closed:
            self._file.close()
