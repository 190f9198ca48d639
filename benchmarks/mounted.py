"""64-byte writes through a mount (fio, psync): against a file system that does nothing, in the same way on mfusepy."""

from __future__ import annotations

import errno
import json
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.measure import Figure
from simfs.bridges.mount.mount import load_library
from tests.support.mounts import mounted, served, why_not

NAMES = ("64-byte writes through a mount, against doing nothing",)
SCENARIO = """\
[chip]
size = "{mib} MiB"
[run]
duration = "1 d"
[[task]]
name = "writer"
every = "1 h"
operations = [{{ do = "append", file = "/x", size = "64 B" }}]
"""


class Nothing:
    """Takes every write and keeps none but the size, of one file that goes by all names."""

    use_ns = True
    size_bytes = -1

    def getattr(self, path: str, _fh: int | None = None) -> dict[str, int]:
        if path == "/":
            return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
        if self.size_bytes < 0:
            raise FileNotFoundError(errno.ENOENT, path)
        return {"st_mode": stat.S_IFREG | 0o644, "st_nlink": 1, "st_size": self.size_bytes}

    def create(self, _path: str, _mode: int, _flags: int) -> int:
        self.size_bytes = 0
        return 1

    def open(self, _path: str, _flags: int) -> int:
        return 1

    def write(self, _path: str, data: bytes, offset: int, _fh: int) -> int:
        self.size_bytes = max(self.size_bytes, offset + len(data))
        return len(data)

    def unlink(self, _path: str) -> int:
        self.size_bytes = -1
        return 0

    def truncate(self, _path: str, length: int, _fh: int | None = None) -> int:
        self.size_bytes = length
        return 0


def run(small: bool) -> Iterator[Figure]:
    """The two are mounted together and written to in turn. Not measured where that can't be, with the reason."""
    why = why_not() or ("" if shutil.which("fio") else "fio is not installed")
    if why:
        yield Figure(NAMES[0], float("nan"), "x", None, f"not measured: {why}")
        return
    rounds, kib = (1, 16) if small else (21, 128)
    with TemporaryDirectory(prefix="simfs-") as folder:
        scenario = Path(folder) / "device.toml"
        scenario.write_text(SCENARIO.format(mib=1 if small else 16))
        ours, nothing = Path(folder) / "ours", Path(folder) / "nothing"
        with mounted(scenario, ours), served(["benchmarks.mounted", str(nothing)], nothing):
            taken = [(_write_us(ours, kib), _write_us(nothing, kib)) for _ in range(rounds)]
    best = [min(each) for each in zip(*taken, strict=True)]
    middle = [sorted(each)[rounds // 2] for each in zip(*taken, strict=True)]
    detail = f"{middle[0]:.0f} against {middle[1]:.0f} us a write; of the minima {best[0] / best[1]:.2f}"
    yield Figure(NAMES[0], middle[0] / middle[1], "x", 2.0, detail)


def _write_us(directory: Path, kib: int) -> float:
    """us a write, the mean over a new file of so many KiB."""
    words = ["--name=w", "--rw=write", "--bs=64", f"--size={kib}k", "--ioengine=psync", "--fallocate=none"]
    command = ["fio", *words, "--filename=w", "--output-format=json"]
    (directory / "w").unlink(missing_ok=True)
    done = subprocess.run(command, cwd=directory, capture_output=True, text=True, check=True)
    job = json.loads(done.stdout[done.stdout.index("{") :])["jobs"][0]["write"]
    return float(job["runtime"]) * 1000 / float(job["total_ios"])


if __name__ == "__main__":
    load_library().FUSE(Nothing(), sys.argv[1], foreground=True, nothreads=True)
