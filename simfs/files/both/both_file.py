"""An open file of a store on flash and card, as far as it is on the flash alone."""

from __future__ import annotations

import errno
import io
from typing import Protocol

from simfs.files.modes import Mode
from simfs.files.names import Name
from simfs.files.opened.stream import Stream


class BothOpener(Protocol):
    """What an open file needs of the store that opened it."""

    @property
    def dropped(self) -> bool: ...

    def wrote(self, size_bytes: int) -> None:
        """The flash took a reading."""

    def refused(self, error: OSError) -> None:
        """The flash did not take one."""

    def closed(self) -> None:
        """A file was closed."""


class BothFile(Stream):
    """A file whose bytes are on the flash."""

    _store: BothOpener

    def __init__(self, store: BothOpener, on_flash: Stream | None, name: Name, mode: Mode) -> None:
        self._on_flash = on_flash
        super().__init__(store, name, mode)

    def _size(self) -> int:
        return size_of(self._on_flash)

    def _get(self, at: int, length: int) -> bytes:
        return read_at(self._on_flash, at, length)

    def _put(self, at: int, data: bytes) -> None:
        assert self._on_flash is not None  # whoever writes has opened it
        self._on_flash.seek(at)
        try:
            self._on_flash.write(data)
        except OSError as error:
            self._store.refused(error)
            raise
        self._store.wrote(len(data))

    def _resize(self, size_bytes: int) -> None:
        assert self._on_flash is not None
        self._on_flash.truncate(size_bytes)

    def _settle(self) -> None:
        assert self._on_flash is not None
        self._on_flash.flush()

    def _let_go(self) -> None:
        try:
            if self._on_flash is not None:
                self._on_flash.close()
        finally:
            self._store.closed()


def size_of(file: Stream | None) -> int:
    """The size of an open file; 0 for none."""
    return 0 if file is None else file.seek(0, io.SEEK_END)


def read_at(file: Stream | None, at: int, length: int) -> bytes:
    """Up to so many bytes from there on."""
    if file is None or length <= 0:
        return b""
    file.seek(at)
    return file.read(length) or b""


def no_room(error: OSError) -> bool:
    """Whether a store refused because it is full."""
    return error.errno == errno.ENOSPC
