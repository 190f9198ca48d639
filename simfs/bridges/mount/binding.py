"""mfusepy with what a mount calls most written for speed, and with what it leaves out."""

from __future__ import annotations

import ctypes
import os
from types import ModuleType
from typing import Any

NS_PER_S = 1_000_000_000
TIMES = ("st_atime", "st_mtime", "st_ctime")


def binding(library: ModuleType) -> type[Any]:
    """mfusepy's `FUSE`, for operations that take no path where there is a handle."""
    stat_bytes = ctypes.sizeof(library.c_stat)

    def getattr_fuse_3(self: Any, path: bytes | None, buffer: Any, info: Any) -> int:
        """mfusepy's own looks each field up by its name, twice."""
        found = self.operations.getattr(path and os.fsdecode(path), info.contents.fh if info else None)
        ctypes.memset(buffer, 0, stat_bytes)
        shape = buffer.contents
        for field, value in found.items():
            if field in TIMES:
                time = getattr(shape, f"{field}spec")
                time.tv_sec, time.tv_nsec = divmod(value, NS_PER_S)
            else:
                setattr(shape, field, value)
        return 0

    def create(self: Any, path: bytes, mode: int, info: Any) -> int:
        """mfusepy's own asks at each call how many arguments the operation takes."""
        shown = info.contents
        shown.fh = self.operations.create(os.fsdecode(path), mode, shown.flags)
        return 0

    def write(self: Any, _path: bytes | None, data: Any, size: int, offset: int, info: Any) -> int:
        done: int = self.operations.write(None, ctypes.string_at(data, size), offset, info.contents.fh)
        return done

    def rename_fuse_3(self: Any, old: bytes, new: bytes, flags: int) -> int:
        """mfusepy's own leaves out the flags."""
        done: int = self.operations.rename(os.fsdecode(old), os.fsdecode(new), flags)
        return done

    return type("Calls", (library.FUSE,), {
        call.__name__: call for call in (getattr_fuse_3, create, write, rename_fuse_3)
    })  # fmt: skip
