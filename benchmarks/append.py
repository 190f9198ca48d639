"""Open-append-close of 40 bytes: against the host's own files, and against the least that a log can do."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from struct import Struct
from tempfile import TemporaryDirectory
from zlib import crc32

from benchmarks.devices import BLOCK_BYTES, RECORD, Rotation, new_store
from benchmarks.measure import Figure, ratio, seconds_in_turn
from simfs import NorFlash

NAMES = ("append against the host's own file", "append against a bare log")
_RAM_DISK = Path("/dev/shm")


class HostRotation:
    """The same on the host's files: unbuffered, and the oldest file goes."""

    def __init__(self, folder: Path, appends_a_file: int, keep: int = 40) -> None:
        self._folder, self._appends_a_file, self._keep = folder, appends_a_file, keep
        self._number = 0

    def one_file(self) -> None:
        name = f"{self._folder}/{self._number:08}.csv"
        for _ in range(self._appends_a_file):
            with open(name, "ab", buffering=0) as file:
                file.write(RECORD)
        if self._number >= self._keep:
            (self._folder / f"{self._number - self._keep:08}.csv").unlink()
        self._number += 1


class BareLog:
    """Header, CRC-32 and program on a ring of blocks, erased as they are reached again. It knows no files, keeps no
    index and can't be mounted. A frame that would cross a page begins on the next one."""

    HEADER = Struct("<HHIII")

    def __init__(self, size_bytes: int) -> None:
        self._flash = NorFlash(size_bytes // BLOCK_BYTES, BLOCK_BYTES)
        self._size = size_bytes
        self._page = self._flash.geometry.page_bytes
        self._at = self._sequence = 0

    def append(self, record: bytes) -> None:
        header = self.HEADER.pack(0x11, len(record), 7, self._sequence, 0)
        frame = b"%b%b%b" % (header, record, crc32(record, crc32(header)).to_bytes(4, "little"))
        at, length = self._at, len(frame)
        if at % self._page + length > self._page:
            at += self._page - at % self._page
        if at % BLOCK_BYTES == 0:
            at %= self._size
            self._flash.erase(at // BLOCK_BYTES)
        self._flash.program(at, frame)
        self._at = at + length
        self._sequence += 1

    def appends(self, count: int) -> None:
        append = self.append
        for _ in range(count):
            append(RECORD)


@contextmanager
def ram_folder() -> Iterator[tuple[Path, str]]:
    """A folder on a RAM disk and what to call it; the folder for temporary files when there is no RAM disk."""
    ram_disk = _RAM_DISK.is_dir()
    with TemporaryDirectory(prefix="simfs-", dir=_RAM_DISK if ram_disk else None) as folder:
        yield Path(folder), "a RAM disk" if ram_disk else "the folder for temporary files, no RAM disk here"


def run(small: bool) -> Iterator[Figure]:
    """On a 3 MiB store in its steady state."""
    size_bytes, appends, rounds = (256 << 10, 100, 3) if small else (3 << 20, 1000, 60)
    ours = Rotation(new_store(size_bytes), appends_a_file=appends)
    bare = BareLog(size_bytes)
    with ram_folder() as (folder, where):
        host = HostRotation(folder, appends)
        taken = seconds_in_turn(rounds, ours.one_file, host.one_file, lambda: bare.appends(appends))
    against_host = ratio(NAMES[0], 0.85, taken[0], taken[1], operations=appends)
    yield replace(against_host, detail=f"{against_host.detail}; on {where}")
    yield ratio(NAMES[1], 3, taken[0], taken[2], operations=appends)
