"""What the driver keeps in RAM of a file that is open, and how its bytes are read and written."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass, field

from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.driver.table import Table
from simfs.fat.driver.window import Window
from simfs.fat.format.entries import set_first_and_size
from simfs.fat.format.errors import BadVolume
from simfs.fat.format.layout import Layout
from simfs.fat.format.listing import Place

FILE_BYTES_MAX = (1 << 32) - 1


@dataclass(slots=True)
class OpenFile:
    """One file, however often it is open. `place` is its short entry, None once its name is gone; `is_changed` says
    that the entry on the card is behind. `buffer` holds sector `at` of the file, -1 for none; `waits` counts the bytes
    written to it that are not on the card yet. `cursor` is a cluster of the chain with its number in it."""

    place: Place | None
    first: int
    size: int
    handles: int = 0
    is_changed: bool = False
    buffer: bytearray = field(default_factory=lambda: bytearray(SECTOR_BYTES))
    at: int = -1
    waits: int = 0
    cursor: tuple[int, int] = (0, 0)


class FileBytes:
    """Reads and writes open files. `wrote` is told how many bytes of a file reached the card."""

    def __init__(self, window: Window, table: Table, layout: Layout) -> None:
        self._window, self._table, self._layout = window, table, layout
        self.wrote: Callable[[int], None] = lambda _: None
        self._card = window.card

    def read(self, file: OpenFile, at: int, length: int) -> bytes:
        """Up to `length` bytes. A read for each sector, none for the one in the buffer; and those of the table."""
        end = min(at + length, file.size)
        parts: list[bytes] = []
        while at < end:
            number, within = divmod(at, SECTOR_BYTES)
            take = min(SECTOR_BYTES - within, end - at)
            if take == SECTOR_BYTES and number != file.at:
                parts.append(self._card.read(self._sector(file, number)))
            else:
                self._hold(file, number)
                parts.append(bytes(file.buffer[within : within + take]))
            at += take
        return b"".join(parts)

    def write(self, file: OpenFile, at: int, data: bytes) -> None:
        """All of `data`, or none of it: ENOSPC, EFBIG. A full sector is written at once, the rest waits."""
        size = file.size
        if at + len(data) > FILE_BYTES_MAX:
            raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))
        if at + len(data) > size:
            self._grow(file, at + len(data))
        try:
            self._put(file, size, bytes(max(0, at - size)), size)
            self._put(file, at, data, max(size, at))
        except OSError:  # a sector that can't be read
            file.size = size
            raise

    def _grow(self, file: OpenFile, size: int) -> None:
        """Take clusters for so many bytes, all or none, and let the file be as long."""
        first_before, wanted = file.first, -(-size // self._layout.cluster_bytes)
        last, count = self._last(file)
        keep = last
        try:
            while count < wanted:
                last = self._table.allocate(last)
                file.first = file.first or last
                count += 1
        except OSError:
            self._give_back(file, first_before, keep)
            raise
        file.size, file.is_changed = size, True

    def flush(self, file: OpenFile) -> None:
        """What waits goes to the card: the data, the table, the directory entry, in this order."""
        self.spill(file)
        if file.is_changed and file.place is not None:
            sector, at = file.place
            set_first_and_size(self._window.change(sector), at, file.first, file.size)
        file.is_changed = False
        self._window.flush()
        self._table.put_hints()

    def spill(self, file: OpenFile) -> None:
        """Write the buffer, if something waits in it."""
        if file.waits:
            self._window.write_past(self._sector(file, file.at), bytes(file.buffer))
            self.wrote(file.waits)
            file.waits = 0

    def resize(self, file: OpenFile, size: int) -> None:
        """Cut the file, or let it grow by zeros, which are written; on the card at once. ENOSPC, EFBIG."""
        if size < file.size:
            self._cut(file, size)
        else:
            before = file.size
            self.write(file, before, bytes(size - before))
            self.flush(file)

    def _cut(self, file: OpenFile, size: int) -> None:
        """The directory entry, then the table."""
        if file.at * SECTOR_BYTES >= size:
            file.waits = 0
        self.spill(file)
        clusters = -(-size // self._layout.cluster_bytes)
        keep = self._cluster(file, clusters - 1) if clusters else 0
        rest = self._table.next(keep) if keep else file.first
        file.size, file.at = size, -1
        file.first, file.cursor = (file.first, (clusters - 1, keep)) if clusters else (0, (0, 0))
        file.is_changed = True
        self.flush(file)
        if keep and rest:
            self._table.set(keep, self._layout.end_of_chain)
        self._table.release(rest)
        self._window.flush()
        self._table.put_hints()

    def _put(self, file: OpenFile, at: int, data: bytes, old_size: int) -> None:
        """`old_size`: no byte of the file from there on was ever written."""
        done, length = 0, len(data)
        while done < length:
            number, within = divmod(at + done, SECTOR_BYTES)
            take = min(SECTOR_BYTES - within, length - done)
            if take == SECTOR_BYTES:
                if number == file.at:
                    file.at, file.waits = -1, 0
                self._window.write_past(self._sector(file, number), data[done : done + take])
                self.wrote(take)
            else:
                self._hold(file, number, is_new=number * SECTOR_BYTES >= old_size)
                file.buffer[within : within + take] = data[done : done + take]
                file.waits += take
                if within + take == SECTOR_BYTES:
                    self.spill(file)
            done += take

    def _hold(self, file: OpenFile, number: int, *, is_new: bool = False) -> None:
        """Have a sector of the file in its buffer. One read, none if it is new."""
        if file.at == number:
            return
        self.spill(file)
        file.at = -1
        sector = self._sector(file, number)
        file.buffer[:] = bytes(SECTOR_BYTES) if is_new else self._card.read(sector)
        file.at = number

    def _sector(self, file: OpenFile, number: int) -> int:
        number, within = divmod(number, self._layout.sectors_per_cluster)
        at, cluster = file.cursor
        return self._layout.first_sector(cluster if at == number and cluster else self._cluster(file, number)) + within

    def _cluster(self, file: OpenFile, number: int) -> int:
        """The cluster with this number in the chain. BadVolume where the chain is shorter or leads astray."""
        at, cluster = file.cursor
        if number > self._layout.last_cluster:
            raise BadVolume(f"the file from cluster {file.first:,} is longer than the volume")
        if not cluster or at > number:
            at, cluster = 0, file.first
            self._table.hold(cluster, "the first cluster of a file")
        if at < number:
            at, cluster = number, self._table.follow(cluster, number - at)
            if not cluster:
                raise BadVolume(f"the chain from cluster {file.first:,} is shorter than its file")
        file.cursor = at, cluster
        return cluster

    def _last(self, file: OpenFile) -> tuple[int, int]:
        """The last cluster of the chain, which may be longer than the file; and how many there are."""
        if not file.first:
            return 0, 0
        number = max(0, (file.size - 1) // self._layout.cluster_bytes)
        last = self._cluster(file, number)
        for cluster in self._table.chain(last):
            last, number = cluster, number + 1
        return last, number

    def _give_back(self, file: OpenFile, first: int, keep: int) -> None:
        """Free what a growth took that found no end."""
        if keep:
            rest = self._table.next(keep)
            self._table.set(keep, self._layout.end_of_chain)
            self._table.release(rest)
        else:
            self._table.release(file.first)
        file.first = first
        self._window.flush()
        self._table.put_hints()
