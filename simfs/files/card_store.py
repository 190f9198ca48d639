"""Files by name on a removable card: a FAT volume behind the contract of every store."""

from __future__ import annotations

import errno
import os
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from typing import cast

from simfs.fat.card.card import Card
from simfs.fat.checking.check import check
from simfs.fat.driver.volume import Volume
from simfs.fat.format.listing import Entry
from simfs.files.card_medium import CardMedium
from simfs.files.card_names import CardNames, path_of
from simfs.files.contract import CANNOT, AnyStore, Settings, Spent, Stat
from simfs.files.heard import NOT_TOLD, CallListener, Calls, HeardFile
from simfs.files.memory_medium import MemoryMeters, MemoryUsage
from simfs.files.modes import parse_mode
from simfs.files.names import Name, NameRule
from simfs.files.opened.card_file import CardFile

SECTOR_BUFFER_BYTES = 512
OVERLONG = ("reject", "cut")
OPEN_FILE_BYTES = 32  # where its entry stands, where it begins, its size, its position, two marks


@dataclass(frozen=True, slots=True)
class CardConfig:
    """How the firmware's driver treats names, and how many files it keeps open."""

    name_bytes: int = 48
    overlong: str = "reject"
    open_files_max: int = 8

    def __post_init__(self) -> None:
        if self.name_bytes < 2:
            raise ValueError(f"no name would fit with name_bytes = {self.name_bytes}; write 2 or more")
        if self.overlong not in OVERLONG:
            raise ValueError(f"there is no overlong = {self.overlong!r}; known are {', '.join(OVERLONG)}")
        if self.open_files_max < 1:
            raise ValueError(f"no file could be open with open_files_max = {self.open_files_max}; write 1 or more")


class CardStore:
    """An `AnyStore` on a card. Made by `CardStore.format` or `CardStore.mount`.

    A name is a path: its directories are made when they are needed, and stay. `names` begin with a slash.
    """

    cannot: Mapping[str, int] = CANNOT
    uses_idle_time = False
    removed_names_bytes = 0

    def __init__(self, volume: Volume, config: CardConfig, read_only: bool = False) -> None:
        self.volume, self.config, self.read_only = volume, config, read_only
        self.meters = MemoryMeters()
        self.medium = CardMedium(volume.card, volume.layout.cluster_bytes, volume.layout.cluster_count)
        self.name_rules = CardNames(NameRule(config.name_bytes, config.overlong, True, self._note_cut))
        self.prefix = ""
        self.dropped = False
        self.files_open = 0
        self._calls: Calls | None = None
        volume.bytes.wrote = self._note_payload

    @classmethod
    def format(cls, card: Card, config: CardConfig | None = None, cluster_bytes: int | None = None) -> CardStore:
        """A new, empty store over the whole card. ValueError where no volume has that size."""
        return cls(Volume.format(card, cluster_bytes), config or CardConfig())

    @classmethod
    def mount(cls, card: Card, config: CardConfig | None = None, read_only: bool = False) -> CardStore:
        """The store on the card. BadVolume names the place if there is no sound volume."""
        return cls(Volume.mount(card), config or CardConfig(), read_only)

    @property
    def card(self) -> Card:
        return self.volume.card

    @property
    def settings(self) -> Settings:
        layout = self.volume.layout
        return Settings(
            asdict(self.config) | {"volume": f"FAT{layout.bits}", "cluster_bytes": layout.cluster_bytes},
            medium="card",
            words=(f"FAT{layout.bits}", f"{len(layout.table_starts)} copies of the table"),
            metadata="whole sectors for pieces, both copies of the table, directory entries",
            nearer="size, cluster and times of the card",
            program="sector write",
            block="cluster",
            erases=False,
        )

    def open(self, name: Name, mode: str = "r") -> CardFile:
        """Open a file as ISO C's fopen does, binary. Creating writes the directory entry, "w" that and the table."""
        if self._calls is not None:
            return self._open_heard(self._calls, name, mode)
        meaning = parse_mode(mode)
        path = self._path(name)
        if meaning.writes:
            self._check_writable(name)
        if self.files_open >= self.config.open_files_max:
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE), name)
        entry = self.volume.find(path)
        if entry is None or entry.short.is_directory:
            if meaning.must_exist:
                number = errno.ENOENT if entry is None else errno.EISDIR
                raise OSError(number, os.strerror(number), name)
            entry = self.volume.create(path)
        elif meaning.exclusive:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name)
        file = self.volume.open(entry)
        if meaning.truncates and file.size:
            self.volume.bytes.resize(file, 0)
        self.files_open += 1
        return CardFile(self, file, name, meaning)

    def names(self, prefix: str = "") -> list[str]:
        """Full names that begin with `prefix`, sorted. Reads every directory."""
        names = ("/" + "/".join(path) for path, is_directory in self.volume.paths.all() if not is_directory)
        return sorted(name for name in names if name.startswith(prefix))

    def exists(self, name: Name) -> bool:
        """Whether a file bears this name. Reads directories."""
        try:
            self._existing(name)
        except (OSError, ValueError):
            return False
        return True

    def stat(self, name: Name) -> Stat:
        """ENOENT. Reads directories."""
        size_bytes = self.volume.size_of(self._existing(name))
        return Stat(size_bytes, size_bytes)

    def remove(self, name: Name) -> None:
        """Take a file's name away: its directory entry, then its clusters; never ENOSPC."""
        with self._call("remove", name):
            self._check_writable(name)
            self.volume.remove(self._path(name))

    def rename(self, old: Name, new: Name) -> None:
        """Give a file another name. For a moment both names are there; a cut then leaves two names of one file."""
        with self._call("rename", old, to=new):
            self._check_writable(old)
            self.volume.rename(self._path(old), self._path(new))

    def truncate(self, name: Name, size: int) -> None:
        """Cut a file, or extend it with zeros, which are written."""
        with self._call("truncate", name, at=size):
            self._truncate(name, size)

    def _truncate(self, name: Name, size: int) -> None:
        self._check_writable(name)
        entry = self._existing(name)
        if size < 0:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), name)
        file = self.volume.open(entry)
        try:
            self.volume.bytes.resize(file, size)
        finally:
            self.volume.close(file)

    def directories(self) -> list[str]:
        """See `Directories`. Reads every directory."""
        return sorted("/" + "/".join(path) for path, is_directory in self.volume.paths.all() if is_directory)

    def full_name(self, name: Name) -> str | None:
        """See `Directories`. Reads directories."""
        found = self.volume.paths.full(self._path(name))
        return None if found is None else "/" + "/".join(found)

    def make_directory(self, name: Name) -> None:
        """A new, empty directory: its cluster, the table, its entry."""
        self._check_writable(name)
        self.volume.make_directory(self._path(name))

    def remove_directory(self, name: Name) -> None:
        """Take an empty directory away: its entry, then its clusters."""
        self._check_writable(name)
        self.volume.remove_directory(self._path(name))

    def rename_directory(self, old: Name, new: Name) -> None:
        """Give a directory another name. For a moment both names are there."""
        self._check_writable(old)
        self.volume.rename_directory(self._path(old), self._path(new))

    @property
    def live_bytes(self) -> int:
        return self.volume.table.used * self.volume.layout.cluster_bytes

    def usage(self) -> MemoryUsage:
        """Room in bytes, in whole clusters."""
        layout = self.volume.layout
        capacity = layout.cluster_count * layout.cluster_bytes
        return MemoryUsage(capacity, self.live_bytes, 0, capacity - self.live_bytes)

    def file_room(self) -> tuple[int, int]:
        usage = self.usage()
        root_bytes = self.volume.layout.cluster_bytes if self.volume.layout.root_cluster else 0
        return usage.capacity_bytes - root_bytes, usage.blank_bytes

    def ram(self) -> dict[str, int]:
        """The sector of table and directories, and for each file that may be open its sector and what is known of
        it."""
        files = self.config.open_files_max
        return {
            "window_bytes": SECTOR_BUFFER_BYTES,
            "buffers_bytes": files * SECTOR_BUFFER_BYTES,
            "files_bytes": files * OPEN_FILE_BYTES,
        }

    def check(self) -> list[str]:
        """What is wrong with the volume once what waits is written, a line each. Tried on a copy of the card."""
        return [str(fault) for fault in check(self.volume.settled_copy())]

    def idle(self, budget_ns: int) -> int:
        return 0

    def drop(self) -> None:
        """Let go of the store, as a reset does: its files are closed, and what waited in them is lost."""
        self.dropped = self.read_only = True

    def boot(self) -> AnyStore:
        self.drop()
        store = CardStore.mount(self.card, self.config)
        store.meters, store._calls = self.meters, self._calls
        store.volume.bytes.wrote = store._note_payload
        return store

    def listen_to_calls(self, listener: CallListener) -> None:
        """Tell `listener` of each call from now on, over every `boot` too, in place of whoever was told before."""
        self._calls = Calls(listener)

    def _open_heard(self, calls: Calls, name: Name, mode: str) -> CardFile:
        self._calls = None
        try:
            with calls.opening(name, self.prefix, mode):
                return cast("CardFile", HeardFile(self.open(name, mode), calls))
        finally:
            self._calls = calls

    def _call(self, kind: str, name: Name, *, at: int = 0, to: Name = "") -> AbstractContextManager[None]:
        return NOT_TOLD if self._calls is None else self._calls.named(kind, name, self.prefix, at=at, to=to)

    def cost_of_boot(self) -> Spent:
        card = self.card.copy()
        CardStore.mount(card, self.config, read_only=True)
        return Spent(*CardMedium(card, 0, 0).since((0, 0)))

    def _path(self, name: Name) -> list[str]:
        return path_of(NameRule.decode(self.name_rules.encode(name, self.prefix)))

    def _existing(self, name: Name) -> Entry:
        return self.volume.find_file(self._path(name))

    def _check_writable(self, name: Name) -> None:
        if self.read_only:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), name)

    def _note_cut(self, _name: bytes) -> None:
        self.meters.names_cut += 1

    def _note_payload(self, count: int) -> None:
        self.meters.payload_bytes_programmed += count


def card_of(store: AnyStore) -> CardStore | None:
    """The store as one on a card, for what only such a one has; None for any other kind."""
    return store if isinstance(store, CardStore) else None
