"""Stores and work on them, for the power cuts: settings that differ in how frames stand, and seeded file calls."""

from __future__ import annotations

from random import Random

from simfs import StoreConfig
from simfs.files.heard import FileCall
from simfs.flash import Geometry
from simfs.study.cuts.case_text import Case

BYTE = StoreConfig(buffer_bytes=32, name_bytes=12)
BYTE_TWO = StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=2)
WIDE = StoreConfig(buffer_bytes=64, name_bytes=12)
WIDE_TWO = StoreConfig(buffer_bytes=64, name_bytes=12, log_heads=2)
PAGE = StoreConfig(packing="page", name_bytes=12)
PAGE_TWO = StoreConfig(packing="page", name_bytes=12, log_heads=2)
SETTINGS = {
    "bytes": (Geometry(6, 512, 64), BYTE),
    "two heads": (Geometry(8, 512, 64), BYTE_TWO),
    "pages": (Geometry(6, 1024, 64), PAGE),
    "pages, two heads": (Geometry(8, 1024, 64), PAGE_TWO),
    "units of 8": (Geometry(6, 1024, 128, 8), BYTE),
    "units of 8, two heads": (Geometry(8, 1024, 128, 8), WIDE_TWO),
    "eight programs a page": (Geometry(6, 1024, 128, 1, 8), WIDE),
}
SHORT = (
    "open #1 a w; write #1 end 8; close #1; open #2 b w; write #2 end 15; close #2; rename b a; "
    "open #3 a r+; write #3 40 12; flush #3; close #3; truncate a 3; remove a"
)


def short_case(setting: str) -> Case:
    """A settings file written, replaced through a rename, written behind a gap, cut and removed."""
    geometry, config = SETTINGS[setting]
    return Case(geometry, config, Case.parse(f"6x512 page=64; ; {SHORT}").calls)


def busy_case(setting: str, seed: int, count: int = 200) -> Case:
    """Whole rewrites, appends, updates in place, gaps, truncations, removals and renames of a few short files."""
    geometry, config = SETTINGS[setting]
    return Case(geometry, config, tuple(_Calls(Random(seed)).drawn(count)))


class _Calls:
    """Draws file calls. Sizes are followed as if nothing was ever refused."""

    def __init__(self, random: Random, names: str = "abcd", extent: int = 120) -> None:
        self._random, self._names, self._extent = random, names, extent
        self._sizes: dict[str, int] = {}
        self._calls: list[FileCall] = []
        self._handle = 0

    def drawn(self, count: int) -> list[FileCall]:
        for _ in range(count):
            self._one(self._random.choice(self._names))
        return self._calls

    def _one(self, name: str) -> None:
        random, sizes = self._random, self._sizes
        chance = random.random()
        if chance < 0.6 or name not in sizes:
            self._write(name)
        elif chance < 0.7:
            self._calls.append(FileCall("remove", name))
            del sizes[name]
        elif chance < 0.85:
            new = random.choice(self._names)
            if new != name:
                self._calls.append(FileCall("rename", name, to=new))
                sizes[new] = sizes.pop(name)
        else:
            sizes[name] = random.choice((0, sizes[name] // 2, sizes[name] + 9))
            self._calls.append(FileCall("truncate", name, at=sizes[name]))

    def _write(self, name: str) -> None:
        random, extent = self._random, self._extent
        mode = random.choice(("w", "a", "r+", "r+") if name in self._sizes else "waa")
        size = 0 if mode == "w" else self._sizes.get(name, 0)
        self._handle += 1
        self._calls.append(FileCall("open", name, self._handle, mode))
        for _ in range(random.choice((1, 1, 2))):
            data = random.randbytes(random.choice((1, 8, 20, 40, random.randrange(1, extent))))
            at = random.randrange(size + 1 + random.choice((0, 0, 20))) if mode == "r+" else -1
            self._calls.append(FileCall("write", handle=self._handle, at=at, data=data))
            size = max(size, (size if at < 0 else at) + len(data))
            if random.random() < 0.2:
                self._calls.append(FileCall("flush", handle=self._handle))
        self._calls.append(FileCall("close", handle=self._handle))
        if size > 3 * extent:
            size = random.randrange(extent)
            self._calls.append(FileCall("truncate", name, at=size))
        self._sizes[name] = size
