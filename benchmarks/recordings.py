"""How fast recordings are replayed, without the store's share: on a store that does nothing."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, cast
from zlib import crc32

from benchmarks.devices import new_store
from benchmarks.measure import Figure, seconds_in_turn
from simfs import Store
from simfs.replay.recorded.console.log import replay_console_log
from simfs.replay.recorded.strace.recording import replay_recording

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

    from simfs.files.handle import StoreFile

NAMES = ("replaying a line of a strace recording", "replaying a line of a console log")
LINE_US_MAX = 10  # 100,000 lines a second
READING = b"06:00:00,2.413,11.7,1013.2,ok\n"
STORE_BYTES = 256 << 10


class _NoFile(io.RawIOBase):
    """Keeps nothing but its position and its size."""

    closed = False

    def __init__(self, sizes: dict[str, int], name: str) -> None:
        self._sizes, self.name, self._at = sizes, name, 0

    def write(self, data: ReadableBuffer, /) -> int:
        size = len(cast("bytes", data))
        self._at = self._sizes[self.name] = self._at + size
        return size

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        self._at = self._sizes[self.name] if whence == io.SEEK_END else offset
        return self._at

    def tell(self) -> int:
        return self._at

    def flush(self) -> None:
        """Nothing waits."""

    def close(self) -> None:
        """Nothing is kept."""


class _NoStore(Store):
    """Takes every operation and does nothing but add up sizes."""

    def open(self, name: Any, mode: str = "r") -> StoreFile:
        self._sizes.setdefault(name, 0)
        return cast("StoreFile", _NoFile(self._sizes, name))

    def exists(self, name: Any) -> bool:
        return name in self._sizes

    def remove(self, name: Any) -> None:
        del self._sizes[name]

    @classmethod
    def new(cls) -> Store:
        store = cls(new_store(STORE_BYTES).volume)
        store._sizes = {}
        return store

    @classmethod
    def mount(cls, flash: Any, read_only: bool = False) -> Store:
        return cls.new()

    _sizes: dict[str, int]


def run(small: bool) -> Iterator[Figure]:
    """A program that opens a file, appends a reading, flushes, closes and waits, and removes the file when it is full:
    in C with stdio as strace records it, and as a firmware prints it."""
    appends, rounds = (40, 1) if small else (10_000, 5)
    with TemporaryDirectory(prefix="simfs-") as folder:
        recordings = [
            _written(Path(folder, "strace.txt"), _strace(appends)),
            _written(Path(folder, "log"), _log(appends)),
        ]
        replays: list[Callable[[], object]] = [
            lambda: replay_recording(recordings[0][0], _NoStore.new(), directory="/data", strict=True),
            lambda: replay_console_log(recordings[1][0], _NoStore.new(), strict=True),
        ]
        taken = seconds_in_turn(rounds, *replays)
    for name, (_, lines), seconds in zip(NAMES, recordings, taken, strict=True):
        per_line = median(seconds) / lines
        yield Figure(
            name,
            per_line * 1e6,
            "us",
            LINE_US_MAX,
            f"{1 / per_line:,.0f} lines a second, {lines / min(seconds):,.0f} in the best round",
        )


def _written(path: Path, lines: list[str]) -> tuple[Path, int]:
    path.write_text("".join(lines))
    return path, len(lines)


def _days(appends: int) -> Iterator[tuple[int, str]]:
    return ((at, f"/log/{at // 240:04}.csv") for at in range(appends))


def _strace(appends: int) -> list[str]:
    """As `strace -f -y -ttt -s 1048576 -x` writes it."""
    lines: list[str] = []
    data = READING.decode().replace("\n", "\\n")
    for at, name in _days(appends):
        stamp, path, size = f"4711 {1922313600 + 60 * at}.", f"/data{name}", at % 240 * len(READING)
        lines += (
            f'{stamp}000125 openat(AT_FDCWD</data>, "{path}", O_WRONLY|O_CREAT|O_APPEND, 0666) = 3<{path}>\n',
            f"{stamp}000171 lseek(3<{path}>, 0, SEEK_END) = {size}\n",
            f'{stamp}000210 newfstatat(3<{path}>, "", {{st_mode=S_IFREG|0644, st_size={size}}}, AT_EMPTY_PATH) = 0\n',
            f'{stamp}000230 write(3<{path}>, "{data}", {len(READING)}) = {len(READING)}\n',
            f"{stamp}000341 fsync(3<{path}>) = 0\n",
            f"{stamp}000420 close(3<{path}>) = 0\n",
            f"{stamp}000466 clock_nanosleep(CLOCK_REALTIME, 0, {{tv_sec=60, tv_nsec=0}}, NULL) = 0\n",
        )
        if at % 240 == 239:
            lines.append(f'{stamp}000510 unlink("{path}") = 0\n')
    return lines


def _log(appends: int) -> list[str]:
    """As recorder.h prints it."""
    said = ["0 0 boot"]
    for at, name in _days(appends):
        each = [f"open 3 a {name}", f"write 3 {len(READING)} {READING.hex()}", "flush 3", "close 3"]
        each += [f"remove {name}"] * (at % 240 == 239)
        said += [f"{len(said) + more} {60_000 * at + more} {words}" for more, words in enumerate(each)]
    return [f"{text}{crc32(text.encode()):08x}\n" for text in (f"@fs1 {words} " for words in said)]
