"""Who wants to know what happens in a run: each operation of the device, and below it what the store tells."""

from __future__ import annotations

import errno
from typing import NamedTuple

from simfs.files.contract import AnyStore
from simfs.files.store import log_of
from simfs.store.tables.listener import StoreListener

BOOT_TASK = "(boot)"
IDLE_TASK = "(idle time)"


class RecordedCall(NamedTuple):
    """A call of a recording that is about to be done to the store, or that the store has nothing for.

    kind    "open", "write", "directory made", "directory removed", "directory listed" or "times set"
    flags   of an open, as open(2) has them
    at      where a write begins; None at the end of the file, whatever the position
    size_bytes  of the file in the store before; None where there is none
    """

    line: int
    kind: str
    name: str
    flags: frozenset[str] = frozenset()
    at: int | None = None
    size_bytes: int | None = None


class Observer(StoreListener):
    """Follows a run as it goes. Every method does nothing here: override those you want.

    Times are device time, ns. What the store does between `begins` and `ends` belongs to that operation. A boot is an
    operation of BOOT_TASK, and idle time that a store is given one of IDLE_TASK. An operation within another one begins
    and ends within it. An exception from an observer ends the run.
    """

    needs_each = True
    """Whether the observer needs each append. If not, appends that go together into the open block are not reported at
    all: they erase nothing, and none of them is refused."""

    def run_begins(self, store: AnyStore) -> AnyStore:
        """Called with the store before the device uses it; the device uses the store that is returned. By default a log
        on flash gets the observer as its listener, for which appends go one by one. Of any other kind of store the
        observer sees only operations."""
        log = log_of(store)
        if log is not None:
            log.listen(self)
        return store

    def booted(self, store: AnyStore) -> None:
        """The device has booted: from here on it uses this store, mounted anew. Called before the boot `ends`."""

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        """An operation begins."""

    def at_line(self, line: int) -> None:
        """The operations that follow are of this line of a recording."""

    def called(self, call: RecordedCall) -> None:
        """A call of a recording."""

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        """The operation is done. `refused` is the errno if the store refused it, else 0."""


def errno_of(error: OSError | None) -> int:
    """The errno of a refusal, as observers get it."""
    return 0 if error is None else error.errno or errno.EIO
