"""An open file on a card, as a raw binary stream."""

from __future__ import annotations

from typing import Protocol

from simfs.fat.driver.open_file import OpenFile
from simfs.fat.driver.volume import Volume
from simfs.files.contract import Meters
from simfs.files.modes import Mode
from simfs.files.names import Name
from simfs.files.opened.stream import Stream


class CardOpener(Protocol):
    """What an open file needs of the store that opened it."""

    files_open: int
    dropped: bool
    volume: Volume

    @property
    def meters(self) -> Meters: ...


class CardFile(Stream):
    """What `CardStore.open` gives. A sector of the file is kept in RAM, for all its handles; it is written when it is
    full, when another is wanted, at `flush` and at `close`. What it holds counts after a cut once the directory entry
    says so: at `flush` and at `close`, which write the data, the table, the directory entry. Reading: Unreadable,
    BadVolume."""

    _store: CardOpener

    def __init__(self, store: CardOpener, file: OpenFile, name: Name, mode: Mode) -> None:
        self._file = file
        super().__init__(store, name, mode)

    def _size(self) -> int:
        return self._file.size

    def _get(self, at: int, length: int) -> bytes:
        return self._store.volume.bytes.read(self._file, at, length)

    def _put(self, at: int, data: bytes) -> None:
        self._store.volume.bytes.write(self._file, at, data)
        self._store.meters.host_bytes += len(data)

    def _resize(self, size_bytes: int) -> None:
        self._store.volume.bytes.resize(self._file, size_bytes)

    def _settle(self) -> None:
        self._store.volume.bytes.flush(self._file)

    def _let_go(self) -> None:
        self._store.files_open -= 1
        self._store.volume.close(self._file)
