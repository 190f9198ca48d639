"""A store without flash: files as byte arrays in a dict, behind the same contract as `Store`. Tests take it for the
truth.

Clarity goes before speed. Its room is given, or more than any test fills: if the store refuses with ENOSPC, a test
leaves the operation out here. What waits in a write buffer is kept apart, so that `faults_after_cut()` can judge what a
power cut left.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Mapping
from dataclasses import asdict
from weakref import WeakSet

from simfs.files.contract import CANNOT, NO_COST, AnyStore, Settings, Spent, Stat
from simfs.files.memory_medium import MemoryMedium, MemoryMeters, MemoryUsage
from simfs.files.model_file import Contents, ModelFile
from simfs.files.modes import parse_mode
from simfs.files.names import Name, NameRule
from simfs.store.format.config import StoreConfig


class Model:
    """A store with this configuration, as it must look from outside; an `AnyStore`."""

    cannot: Mapping[str, int] = CANNOT
    uses_idle_time = False
    removed_names_bytes = 0
    read_only = False

    def __init__(self, config: StoreConfig | None = None, capacity_bytes: int = 1 << 40) -> None:
        self.config = config or StoreConfig()
        self.prefix = ""
        self.medium, self.meters = MemoryMedium(capacity_bytes), MemoryMeters()
        self.dropped = False
        self.name_rules = NameRule(self.config.name_bytes, self.config.overlong, self.config.fold_case, self._note_cut)
        self._names: dict[bytes, tuple[bytes, Contents]] = {}  # by key: the name as created, and its file
        self._open: WeakSet[ModelFile] = WeakSet()

    @property
    def files_open(self) -> int:
        return sum(not file.closed for file in self._open)

    @property
    def settings(self) -> Settings:
        return Settings(asdict(self.config), medium=self.medium.kind, words=("files in memory",))

    @property
    def live_bytes(self) -> int:
        return sum([len(file.contents) for _, file in self._names.values()])

    def usage(self) -> MemoryUsage:
        live_bytes = self.live_bytes
        return MemoryUsage(self.medium.size_bytes, live_bytes, 0, self.medium.size_bytes - live_bytes)

    def file_room(self) -> tuple[int, int]:
        return self.medium.size_bytes, self.medium.size_bytes - self.live_bytes

    def admit(self, growth_bytes: int) -> None:
        """ENOSPC where a file that grows so much has no room."""
        if growth_bytes > self.medium.size_bytes - self.live_bytes:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def ram(self) -> dict[str, int]:
        return {}

    def check(self) -> list[str]:
        return []

    def idle(self, budget_ns: int) -> int:
        return 0

    def boot(self) -> AnyStore:
        """What the persistence events have acknowledged is there again."""
        store = Model(self.config, self.medium.size_bytes)
        store.medium, store.meters = self.medium, self.meters
        store.restart(self.durable())
        self.dropped = True
        return store

    def cost_of_boot(self) -> Spent:
        return NO_COST

    def open(self, name: Name, mode: str = "r") -> ModelFile:
        meaning = parse_mode(mode)
        encoded, key = self._find(name)
        if self.files_open >= self.config.open_files_max:
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE), name)
        if key in self._names:
            if meaning.exclusive:
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name)
        else:
            if meaning.must_exist:
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), name)
            self._names[key] = (encoded, Contents(self))
        file = self._names[key][1]
        if meaning.truncates:
            file.resize(0)
        opened = ModelFile(self, file, name, meaning)
        self._open.add(opened)
        return opened

    def names(self, prefix: str = "") -> list[str]:
        decoded = (NameRule.decode(encoded) for encoded, _ in self._names.values())
        return sorted(name for name in decoded if name.startswith(prefix))

    def exists(self, name: Name) -> bool:
        try:
            self._existing(name)
        except (OSError, ValueError):
            return False
        return True

    def stat(self, name: Name) -> Stat:
        size_bytes = len(self._existing(name).contents)
        return Stat(size_bytes, size_bytes)

    def remove(self, name: Name) -> None:
        self._existing(name)
        del self._names[self._find(name)[1]]

    def rename(self, old: Name, new: Name) -> None:
        encoded, key = self._find(new)
        file = self._existing(old)
        del self._names[self._find(old)[1]]
        self._names[key] = (encoded, file)

    def truncate(self, name: Name, size: int) -> None:
        file = self._existing(name)
        if size < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), name)
        file.resize(size)

    def contents(self) -> dict[str, bytes]:
        """Every file as a program sees it now."""
        return {NameRule.decode(encoded): bytes(file.contents) for encoded, file in self._names.values()}

    def durable(self) -> dict[str, bytes]:
        """Every file as it is at least after a power cut now: what the persistence events have acknowledged."""
        return {NameRule.decode(encoded): file.acknowledged for encoded, file in self._names.values()}

    def faults_after_cut(self, left: dict[str, bytes], in_flight_bytes: int = 0) -> list[str]:
        """What the durability rule forbids in `left`, found after a power cut; so much of a write was in flight."""
        most = (self.config.buffer_bytes or 256) + in_flight_bytes
        files = {NameRule.decode(encoded): file for encoded, file in self._names.values()}
        faults = [f"{name!r} came from nowhere" for name in sorted(left.keys() - files.keys())]
        faults += [f"{name!r} is lost" for name in sorted(files.keys() - left.keys())]
        faults += [
            f"{name!r} is neither as acknowledged nor so with the first of the bytes written since"
            for name in sorted(files.keys() & left.keys())
            if not files[name].may_survive(left[name], most)
        ]
        return faults

    def restart(self, left: dict[str, bytes]) -> None:
        """Goes on after a power cut with what was found: open files are gone, and so are the bytes that waited."""
        self._names = {}
        for name, contents in left.items():
            encoded = self.name_rules.encode(name)
            self._names[self.name_rules.key(encoded)] = (encoded, Contents(self, contents))
        self._open.clear()  # they keep files that nobody can reach

    def _find(self, name: Name) -> tuple[bytes, bytes]:
        encoded = self.name_rules.encode(name, self.prefix)
        return encoded, self.name_rules.key(encoded)

    def _existing(self, name: Name) -> Contents:
        _, key = self._find(name)
        if key not in self._names:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), name)
        return self._names[key][1]

    def _note_cut(self, _name: bytes) -> None:
        self.meters.names_cut += 1
