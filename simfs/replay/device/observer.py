"""Who wants to know what happens in a run: each operation of the device, and below it what the store tells."""

from __future__ import annotations

import errno

from simfs.files.contract import AnyStore
from simfs.files.store import log_of
from simfs.store.tables.listener import StoreListener

BOOT_TASK = "(boot)"
IDLE_TASK = "(idle time)"


class Observer(StoreListener):
    """Is told of a run as it goes. Every method does nothing here: take over those you want.

    Times are device time, ns. What a store tells between `begins` and `ends` comes of that operation. A boot is an
    operation of BOOT_TASK, idle time that a store is given one of IDLE_TASK. An operation within another one is told
    within it. What an observer raises ends the run.
    """

    needs_each = True
    """Whether each append has to be told. Else those that go together in the open block are not told at all: they erase
    nothing, and none of them is refused."""

    def run_begins(self, store: AnyStore) -> AnyStore:
        """The store, before the device goes on with the one that is returned. Here a log on flash is asked to tell what
        it does, for which appends go one by one; of any other kind of store operations alone are told."""
        log = log_of(store)
        if log is not None:
            log.listen(self)
        return store

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        """An operation is about to be done."""

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        """It is done, or the store refused it: then `refused` is the errno, else 0."""


def errno_of(error: OSError | None) -> int:
    """The errno of a refusal, as observers are told it."""
    return 0 if error is None else error.errno or errno.EIO
