"""What programs wait for in a mount: against one that does nothing, with the same calls of the kernel through the same
binding. Process time, of the program and of the mount together."""

from __future__ import annotations

import errno
import os
import stat
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.measure import Figure, ratio
from simfs.bridges.mount.binding import binding
from simfs.bridges.mount.mount import load_library
from tests.support.mounts import Mount, mounted, served, why_not

NAMES = (
    "64-byte writes through a mount, against doing nothing",
    "4 KiB writes through a mount, against doing nothing",
    "4 KiB reads through a mount, against doing nothing",
    "files of 100 bytes made in a mount, against nothing",
)
GOALS = (1.5, 1.5, 1.5, 1.5)
PAGE = 4096
CPU_CLOCK = 2  # of a process: clock_getcpuclockid(3)
SCENARIO = """\
[chip]
size = "{mib} MiB"
"""


class Nothing:
    """Takes every call, and keeps the sizes of files and no bytes."""

    use_ns = True

    def __init__(self) -> None:
        self.sizes: dict[str, int] = {}
        self.names: dict[int, str] = {}
        self.number = 0

    def getattr(self, path: str, _fh: int | None = None) -> dict[str, int]:
        if path == "/":
            return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
        if path not in self.sizes:
            raise OSError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        return {"st_mode": stat.S_IFREG | 0o644, "st_nlink": 1, "st_size": self.sizes[path]}

    def create(self, path: str, _mode: int, _flags: int) -> int:
        self.sizes[path] = 0
        return self.open(path, 0)

    def open(self, path: str, _flags: int) -> int:
        self.number += 1
        self.names[self.number] = path
        return self.number

    def read(self, _path: str | None, size: int, _offset: int, _fh: int) -> bytes:
        return bytes(size)

    def write(self, _path: str | None, data: bytes, offset: int, fh: int) -> int:
        name = self.names[fh]
        self.sizes[name] = max(self.sizes[name], offset + len(data))
        return len(data)

    def flush(self, _path: str | None, _fh: int) -> int:
        return 0

    def release(self, _path: str | None, fh: int) -> int:
        del self.names[fh]
        return 0

    def unlink(self, path: str) -> int:
        del self.sizes[path]
        return 0


def run(small: bool) -> Iterator[Figure]:
    """The two are mounted together and worked on in turn. Not measured where that can't be, with the reason."""
    if why := why_not():
        yield from (Figure(name, float("nan"), "x", None, f"not measured: {why}") for name in NAMES)
        return
    rounds, count = (1, 40) if small else (9, 1000)
    actions = (_writes(64), _writes(4096), _reads, _creates)
    with TemporaryDirectory(prefix="simfs-") as folder:
        scenario = Path(folder) / "device.toml"
        scenario.write_text(SCENARIO.format(mib=1 if small else 32))
        ours, nothing = Path(folder) / "ours", Path(folder) / "nothing"
        with mounted(scenario, ours) as first, served(["benchmarks.mounted", str(nothing)], nothing) as second:
            for name, goal, action in zip(NAMES, GOALS, actions, strict=True):
                taken: list[list[float]] = [[], []]
                for _ in range(rounds):
                    for seconds, mount in zip(taken, (first, second), strict=True):
                        seconds.append(_seconds(mount, action, count))
                yield ratio(name, goal, *taken, operations=count)


def _seconds(mount: Mount, action: Callable[[Path, int], Iterator[None]], count: int) -> float:
    """Of this process and of the mount, while an action does its second part; the first prepares, the third cleans."""
    clock = ~mount.process.pid << 3 | CPU_CLOCK

    def now() -> float:
        return time.process_time() + time.clock_gettime(clock)

    parts = action(mount.path, count)
    next(parts)
    began = now()
    next(parts)
    taken = now() - began
    assert next(parts, "end") == "end"
    return taken


def _writes(size: int) -> Callable[[Path, int], Iterator[None]]:
    def action(directory: Path, count: int) -> Iterator[None]:
        data = b"w" * size
        file = os.open(directory / "written", os.O_CREAT | os.O_WRONLY)
        yield
        for _ in range(count):
            os.write(file, data)
        os.close(file)  # whatever a mount puts off is done now
        yield
        os.unlink(directory / "written")

    return action


def _reads(directory: Path, count: int) -> Iterator[None]:
    """Each at another place, with the cache of the kernel passed over as far as it lets."""
    file = os.open(directory / "read", os.O_CREAT | os.O_RDWR)
    for _ in range(count):
        os.write(file, b"r" * PAGE)
    os.close(file)
    file = os.open(directory / "read", os.O_RDONLY)
    os.posix_fadvise(file, 0, 0, os.POSIX_FADV_RANDOM)
    yield
    for number in range(count):
        os.pread(file, PAGE, number * 7 % count * PAGE)
    yield
    os.close(file)
    os.unlink(directory / "read")


def _creates(directory: Path, count: int) -> Iterator[None]:
    data = b"c" * 100
    yield
    for number in range(count):
        file = os.open(directory / str(number), os.O_CREAT | os.O_WRONLY)
        os.write(file, data)
        os.close(file)
    yield
    for number in range(count):
        os.unlink(directory / str(number))


if __name__ == "__main__":
    binding(load_library())(Nothing(), sys.argv[1], foreground=True, nothreads=True, default_permissions=True)
