"""The contract that every kind of store keeps with scenarios, recordings, reports, the mount, pytest and fsspec.

A kind of store is an `AnyStore` on a `Medium`. Nothing here knows flash or a log. Code that needs more, because it
studies wear or our log's own frames, asks `simfs.files.store.log_of` for the store as a log on flash, and gets None for
any other kind.
"""

from __future__ import annotations

import errno
import io
from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple, Protocol, runtime_checkable

from simfs.files.names import Name

Mark = tuple[int, ...]
"""The counters of a medium at one moment; only its own `since` and `energy_nj` read them."""


class Spent(NamedTuple):
    """What a medium did, and how long that takes. One read, program or erase is the most that the medium does at once:
    a page of flash, a sector of a card. A medium that hides its erases counts none.

    busy_ns      programs and erases at typical times, and what they took beyond; `busy_max_ns` at the longest times
    read_ns      reads
    """

    reads: int
    read_bytes: int
    programs: int
    program_bytes: int
    erases: int
    busy_ns: int
    busy_max_ns: int
    read_ns: int


NO_COST = Spent(0, 0, 0, 0, 0, 0, 0, 0)

SpentNow = tuple[int, int, int, int, int, int, int, int]
"""The values of a `Spent`, which costs several times as much to make."""


CANNOT: Mapping[str, int] = MappingProxyType(
    {"link": errno.EPERM, "symlink": errno.EPERM, "fallocate": errno.EOPNOTSUPP}
)
"""What a store can't do that has one name for a file and keeps no room for bytes that are not written yet."""


class Medium(Protocol):
    """The medium of a store: how it is divided, what it was asked to do, and what that takes.

    kind         "flash", "card", "memory": the word for it in a report; `name` is the part's
    unit_bytes   what one program writes at most
    block_bytes  what is erased or given out at once; 0: there are no blocks
    supply_mv    the supply in mV; 0: nobody knows what it takes
    standby_nw   at rest, in nW
    is_timed     False where no operation takes any time
    """

    @property
    def kind(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def size_bytes(self) -> int: ...
    @property
    def unit_bytes(self) -> int: ...
    @property
    def block_bytes(self) -> int: ...
    @property
    def block_count(self) -> int: ...
    @property
    def supply_mv(self) -> int: ...
    @property
    def standby_nw(self) -> int: ...
    @property
    def is_timed(self) -> bool: ...

    def mark(self) -> Mark:
        """The counters now. Asked before each operation of a device."""

    def since(self, mark: Mark) -> SpentNow:
        """What was spent since then, in the order of `Spent`. Asked after each operation of a device."""

    def energy_nj(self, mark: Mark) -> int:
        """Energy since then, in nJ; standby is not in it."""

    def current_sources(self) -> Mapping[str, str]:
        """Where each current comes from that its energy is worked out with, by what is done at it; "": it is not
        known, and so that energy is not counted."""


class NameRules(Protocol):
    """How a store treats names. `limit_bytes` counts the terminator. `overlong` is "reject" or "cut". With `fold_case`,
    ASCII letters of either case are the same. `simfs.files.names.NameRule` is one."""

    @property
    def limit_bytes(self) -> int: ...
    @property
    def overlong(self) -> str: ...
    @property
    def fold_case(self) -> bool: ...

    def encode(self, name: Name, prefix: str = "") -> bytes:
        """The bytes that the store keeps. ENOENT, ENAMETOOLONG, ValueError."""

    def cutting(self) -> NameRules:
        """The same rules for a store that cuts what is too long; it counts nothing."""

    def key(self, encoded: bytes) -> bytes:
        """The same for two names of one file."""

    def decode(self, encoded: bytes) -> str:
        """The `str` of a kept name."""


class Usage(Protocol):
    """Room in bytes: what can be filled, what files and names take, what is dead, and what is blank."""

    @property
    def capacity_bytes(self) -> int: ...
    @property
    def live_bytes(self) -> int: ...
    @property
    def dead_bytes(self) -> int: ...
    @property
    def blank_bytes(self) -> int: ...


class Meters(Protocol):
    """Counters since the store was made; a boot goes on with them.

    host_bytes                bytes that writes handed over
    payload_bytes_programmed  bytes of files that reached the medium
    relocated_bytes           bytes of files that the store moved; 0 where it moves none
    cleanings                 how often it made room by moving; 0 likewise
    names_cut                 names that were cut silently
    """

    host_bytes: int
    payload_bytes_programmed: int
    relocated_bytes: int
    cleanings: int
    names_cut: int


class Settings(dict[str, object]):
    """A store's settings by name, as JSON shows them, and in the words of a report.

    medium      the kind of medium that it stands on
    words       the kind of store in a few words: ("greedy cleaner", "1 log head", "byte packing")
    metadata    what it programs beside the bytes of files; "": nothing
    nearer      the settings that bring the model nearer to another store of its kind
    erase_hint  the setting that takes erases out of writes; "" where there is none or it is on
    program     the word for the most that the medium does at once, and
    block       for what is given out at once
    erases      whether writes may wait for erases
    """

    def __init__(
        self,
        values: Mapping[str, object],
        *,
        medium: str,
        words: tuple[str, ...],
        metadata: str = "",
        nearer: str = "",
        erase_hint: str = "",
        program: str = "program",
        block: str = "block",
        erases: bool = True,
    ) -> None:
        super().__init__(values)
        self.medium, self.words, self.metadata = medium, words, metadata
        self.nearer, self.erase_hint = nearer, erase_hint
        self.program, self.block, self.erases = program, block, erases


class Stat(NamedTuple):
    """What a store knows of a file. `stored_bytes` leaves out the holes, whose zeros stand nowhere."""

    size_bytes: int
    stored_bytes: int


@runtime_checkable
class AnyStore(Protocol):
    """Files by name, flat: a name is the full path. Errors are the `OSError` that POSIX names.

    A store that has no room refuses a write or a new name with ENOSPC, keeps every file as it was, and can always
    remove. Room is taken when bytes are written, so that ENOSPC never comes first at flush or close.

    dropped         it was let go; its files are closed
    prefix          goes before names that have no leading slash
    uses_idle_time  `idle` may have something to do
    cannot          calls of a host that it refuses, with their errno, as in `CANNOT`
    """

    prefix: str

    @property
    def medium(self) -> Medium: ...
    @property
    def meters(self) -> Meters: ...
    @property
    def name_rules(self) -> NameRules: ...
    @property
    def settings(self) -> Settings: ...
    @property
    def cannot(self) -> Mapping[str, int]: ...
    @property
    def uses_idle_time(self) -> bool: ...
    @property
    def read_only(self) -> bool: ...
    @property
    def dropped(self) -> bool: ...
    @property
    def files_open(self) -> int: ...
    @property
    def live_bytes(self) -> int:
        """`usage().live_bytes` alone; asked after each operation that kept the medium busy."""

    @property
    def removed_names_bytes(self) -> int:
        """What the names of removed files still take of `live_bytes`, until the store lets go of them by itself."""

    def open(self, name: Name, mode: str = "r") -> io.RawIOBase:
        """Open a file as ISO C's fopen does, binary. ENOENT, EEXIST, EMFILE, EROFS, ENOSPC."""

    def names(self, prefix: str = "") -> list[str]:
        """Full names that begin with `prefix`, sorted."""

    def exists(self, name: Name) -> bool:
        """Whether a file bears this name."""

    def stat(self, name: Name) -> Stat:
        """ENOENT."""

    def remove(self, name: Name) -> None:
        """Take a file's name away; open files keep its bytes until they close."""

    def rename(self, old: Name, new: Name) -> None:
        """Give a file another name; a file that bore it is replaced."""

    def truncate(self, name: Name, size: int) -> None:
        """Cut a file or let it grow by zeros."""

    def usage(self) -> Usage:
        """Room in bytes."""

    def file_room(self) -> tuple[int, int]:
        """Bytes of one file that an empty store would take, and that this one takes now."""

    def ram(self) -> dict[str, int]:
        """Bytes of RAM that the store needs on the device, by what for; empty where nobody knows."""

    def check(self) -> list[str]:
        """What is wrong with the store, a line each."""

    def idle(self, budget_ns: int) -> int:
        """Let it use idle time; what it used, in ns."""

    def boot(self) -> AnyStore:
        """As a reset does: what waits in open files is lost, this store changes nothing any more, and the one that the
        medium holds is mounted. The meters go on."""

    def cost_of_boot(self) -> Spent:
        """What mounting the medium as it is would cost. Changes nothing, counts nowhere."""


@runtime_checkable
class Directories(Protocol):
    """What a store has beside, where directories are not only what names have in common. Those that the name of a new
    file needs are made with it, and stay when it goes."""

    def directories(self) -> list[str]:
        """Full names of all but the root, sorted."""

    def full_name(self, name: Name) -> str | None:
        """The name of what is found under another spelling: in another case, or by a short name; None for nothing."""

    def make_directory(self, name: Name) -> None:
        """A new, empty one in one that is there. EEXIST, ENOENT, ENOTDIR, ENOSPC, EROFS."""

    def remove_directory(self, name: Name) -> None:
        """Take an empty one away. ENOENT, ENOTDIR, ENOTEMPTY, EROFS."""

    def rename_directory(self, old: Name, new: Name) -> None:
        """Give one another name, with all that is in it; an empty one that bore it is replaced. ENOENT, ENOTDIR,
        ENOTEMPTY, EINVAL where it would be in itself."""


def directories_of(store: AnyStore) -> Directories | None:
    """The store as one that keeps directories; None where names alone make them."""
    return store if isinstance(store, Directories) else None
