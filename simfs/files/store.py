"""The public store: files by name on a simulated flash, kept by our log."""

from __future__ import annotations

import errno
import os
from contextlib import AbstractContextManager
from functools import lru_cache
from typing import TYPE_CHECKING, cast

from simfs.files.contract import CANNOT, AnyStore, Settings, Spent, Stat
from simfs.files.flash_medium import FlashMedium
from simfs.files.handle import StoreFile
from simfs.files.heard import NOT_TOLD, CallListener, Calls, HeardFile
from simfs.files.log_settings import settings_of
from simfs.files.modes import MODES, parse_mode
from simfs.files.names import Name, NameRule
from simfs.flash import NorFlash
from simfs.shown import Shown
from simfs.store.attribution import Attribution
from simfs.store.batch.appends import Stretch, stretch_of
from simfs.store.check import check
from simfs.store.damage import damages
from simfs.store.format.config import StoreConfig
from simfs.store.log.state import Damage, Doubt
from simfs.store.tables.listener import StoreListener
from simfs.store.tables.meters import Meters
from simfs.store.tables.spans import FileNode
from simfs.store.usage import BlockView, Usage, block_views, file_room, ram_bytes, usage
from simfs.store.volume import Volume

if TYPE_CHECKING:
    from collections.abc import Callable


class Store(Shown):
    """Files in a flash, flat: a name is the full path. Made by `Store.format` or `Store.mount`.

    Names are bytes on the flash, UTF-8 as given; directories exist only as shared prefixes. Raises the `OSError` that
    POSIX names: ENOENT, EEXIST, ENAMETOOLONG, ENOSPC, EMFILE, EFBIG, EROFS; a NUL in a name is a ValueError.

    An `AnyStore` (`simfs.files.contract`): `log_of` gives it back to those who study flash or our log.
    """

    cannot = CANNOT

    def __init__(self, volume: Volume) -> None:
        self._volume = volume
        self._blocks = volume.state.blocks
        self._lookup = volume.lookup
        config = volume.state.config
        self.medium = FlashMedium(volume.state.flash)
        self.uses_idle_time = config.idle_cleaning
        self.name_rules = NameRule(config.name_bytes, config.overlong, config.fold_case, volume.state.meters.note_cut)
        # A cut name is counted each time; others are the same bytes each time.
        known = self.name_rules.encode if config.overlong == "cut" else lru_cache(1024)(self.name_rules.encode)
        self._encode = cast("Callable[[Name, str], bytes]", known)
        self._open_files_max = config.open_files_max
        self.files_open = 0
        self.dropped = False
        self.prefix = ""
        self._told: Attribution | None = None
        self._calls: Calls | None = None

    @classmethod
    def format(cls, flash: NorFlash, config: StoreConfig | None = None) -> Store:
        """A new, empty store over the whole flash. Costs one erase, a few programs, and what a mount reads.
        ValueError when the settings do not fit the flash; CorruptStore when no block of it can be written."""
        return cls(Volume.format(flash, config or StoreConfig()))

    @classmethod
    def mount(cls, flash: NorFlash, read_only: bool = False) -> Store:
        """The store on the flash, which has its settings too. A `read_only` mount never programs or erases; a writable
        one settles what a power cut left uncertain. CorruptStore names the place if there is no sound store. File times
        are not on the flash."""
        return cls(Volume.mount(flash, read_only))

    def open(self, name: Name, mode: str = "r") -> StoreFile:
        """Open a file as ISO C's fopen does, binary. Creating costs one frame, "w" on a file that is not empty too."""
        if self._calls is not None:
            return self._open_heard(self._calls, name, mode)
        meaning = MODES.get(mode) or parse_mode(mode)
        volume = self._volume
        encoded = self._encode(name, self.prefix)
        if meaning.writes and self._blocks.read_only:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), name)
        if self.files_open >= self._open_files_max:
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE), name)
        node = self._lookup(encoded)
        if node is None:
            if meaning.must_exist:
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), name)
            node = volume.create(encoded)
        elif meaning.exclusive:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name)
        elif meaning.truncates:
            volume.truncate(node, 0)
        self.files_open += 1
        return StoreFile(self, volume.bytes, node, name, meaning)

    def names(self, prefix: str = "") -> list[str]:
        """Full names that begin with `prefix`, sorted. RAM only."""
        key = self.name_rules.key(prefix.encode("utf-8", "surrogateescape"))
        found = b"\0".join(self._volume.names_from(key))  # no name holds a NUL
        names = sorted(NameRule.decode(found).split("\0")) if found else []
        if names and names[0].startswith(prefix) and names[-1].startswith(prefix):
            return names  # what stands between two that begin so begins so
        return [name for name in names if name.startswith(prefix)]

    def exists(self, name: Name) -> bool:
        """Whether a file bears this name. RAM only."""
        try:
            return self._lookup(self._encode(name, self.prefix)) is not None
        except (OSError, ValueError):
            return False

    def stretch(self, name: Name) -> Stretch | None:
        """Where many opens for append, each with one write and a close, can be done at once; None if they can't."""
        if self.files_open >= self._open_files_max:
            return None
        meters, cut_before = self.meters, self.meters.names_cut
        node = self._lookup(self._encode(name, self.prefix))
        names_cut, meters.names_cut = meters.names_cut - cut_before, cut_before  # this look was no open
        return stretch_of(self._volume, node, names_cut)

    def stat(self, name: Name) -> Stat:
        """ENOENT. RAM only."""
        return Stat(*self._volume.bytes.sizes(self._existing(name)))

    def remove(self, name: Name) -> None:
        """Take a file's name away; open handles keep its bytes until they close. One frame, never ENOSPC."""
        with self._call("remove", name):
            self._volume.remove(self._existing(name))

    def rename(self, old: Name, new: Name) -> None:
        """Give a file another name; a file that bore it is replaced. One frame: old or new after a power cut, never
        both or neither."""
        with self._call("rename", old, to=new):
            encoded = self._encode(new, self.prefix)
            self._volume.rename(self._existing(old), encoded)

    def truncate(self, name: Name, size: int) -> None:
        """Cut a file, or extend it with zeros. One frame."""
        with self._call("truncate", name, at=size):
            node = self._existing(name)
            if size < 0:
                raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), name)
            self._volume.truncate(node, size)

    def idle(self, budget_ns: int) -> int:
        """Let the store use `budget_ns` of idle time: with `idle_cleaning` it erases and cleans ahead. What it used,
        in ns."""
        with self._call("idle", at=budget_ns):
            cleans = self.config.idle_cleaning and not self._volume.read_only
            return self._volume.cleaner.idle(budget_ns) if cleans else 0

    def drop(self) -> None:
        """Let go of the store, as a reset does: its files are closed, what waited in them is lost, and it changes
        nothing any more (EROFS). RAM only."""
        self.dropped = True
        self._volume.drop()
        if self._told is not None:
            self._told.let_go()

    def boot(self) -> Store:
        """Drop the store, and mount what its flash holds. The meters go on, and listeners keep listening."""
        meters = self.meters
        with self._call("mount"):
            self.drop()
            store = type(self).mount(self.flash)
        store.meters.add(meters)
        store._calls, store._told = self._calls, self._told
        if store._told is not None:
            store._told.follow(store._volume)
        return store

    def listen(self, listener: StoreListener) -> None:
        """Tell `listener` from now on, over every `boot` too, what the store does. Appends go one by one then."""
        if self._told is None:
            self._told = Attribution(self.flash, self._volume)
        self._told.add(listener)

    def listen_to_calls(self, listener: CallListener) -> None:
        """Tell `listener` of each call from now on, over every `boot` too, in place of whoever was told before."""
        self._calls = Calls(listener)

    def _open_heard(self, calls: Calls, name: Name, mode: str) -> StoreFile:
        self._calls = None
        try:
            with calls.opening(name, self.prefix, mode):
                return cast("StoreFile", HeardFile(self.open(name, mode), calls))
        finally:
            self._calls = calls

    def _call(self, kind: str, name: Name = "", *, at: int = 0, to: Name = "") -> AbstractContextManager[None]:
        return NOT_TOLD if self._calls is None else self._calls.named(kind, name, self.prefix, at=at, to=to)

    def cost_of_boot(self) -> Spent:
        """The cost of a mount, measured by a read-only one of a copy of the flash."""
        medium = FlashMedium(self.flash.copy())
        before = medium.mark()
        Volume.mount(medium.flash, read_only=True)
        return Spent(*medium.since(before))

    def check(self) -> list[str]:
        """What is wrong with the store, a line each; empty when it is sound. Reads every frame, programs nothing."""
        return check(self._volume)

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What the mount could not read, for example after a power cut. Empty after a mount that found all in order."""
        return tuple(self._volume.state.doubts)

    @property
    def damages(self) -> tuple[Damage, ...]:
        """What should be on the flash and is not, and whom that hurts. Reads every frame of every file."""
        return damages(self._volume)

    @property
    def volume(self) -> Volume:
        """The inside of the store, for code that looks into it."""
        return self._volume

    @property
    def live_bytes(self) -> int:
        """`usage().live_bytes` alone, without a look at every block."""
        return self._volume.state.committed

    @property
    def removed_names_bytes(self) -> int:
        """What the names of removed files still take of these, until the cleaner lets go of them."""
        return self._volume.state.claims.tomb_bytes

    def usage(self) -> Usage:
        """Room in bytes. RAM only, a look at every block."""
        return usage(self._volume)

    def file_room(self) -> tuple[int, int]:
        """Bytes of one file that an empty store would take, and that this one takes now: at least so many. RAM only."""
        return file_room(self._volume)

    def blocks(self) -> list[BlockView]:
        """Each erase block's state, wear and live bytes. RAM only."""
        return block_views(self._volume)

    def ram(self) -> dict[str, int]:
        """Bytes of RAM that this store would need on the device now, by what for."""
        return ram_bytes(self._volume)

    @property
    def erase_counts(self) -> list[int]:
        """Erases of each block as the flash remembers them."""
        return list(self._volume.state.blocks.erase_count)

    @property
    def meters(self) -> Meters:
        """Counters since the store was formatted or mounted."""
        return self._volume.state.meters

    @property
    def config(self) -> StoreConfig:
        """The settings that the store was formatted with."""
        return self._volume.state.config

    @property
    def settings(self) -> Settings:
        """The same, as reports show them."""
        return settings_of(self.config)

    @property
    def read_only(self) -> bool:
        """Mounted so, or worn out."""
        return self._volume.read_only

    @property
    def flash(self) -> NorFlash:
        return self._volume.state.flash

    def _existing(self, name: Name) -> FileNode:
        node = self._lookup(self._encode(name, self.prefix))
        if node is None:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), name)
        return node


class NoLog(ValueError):
    """What only a log on flash has was asked of another kind of store."""


def log_of(store: AnyStore) -> Store | None:
    """The store as a log on flash, for what only such a one has (its flash, its blocks, their wear, its doubts, its
    settings); None for any other kind."""
    return store if isinstance(store, Store) else None


def the_log(store: AnyStore) -> Store:
    """The same, where nothing else will do; else NoLog."""
    if isinstance(store, Store):
        return store
    raise NoLog(f"this needs a store on flash, and this one is on {store.medium.kind}")
