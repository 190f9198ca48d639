"""The calls of a run made over and over again, as a firmware would that starts anew after each cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from simfs.files import Store
from simfs.files.handle import StoreFile
from simfs.files.heard import FileCall


class Story:
    """Gives one call after the other, from call number `start` of the run on; after the last one it begins again. A
    file that was lost in a cut is opened again when the run uses it. Files that the run has left behind are removed
    before it begins again, if there was no room for all."""

    def __init__(self, calls: Sequence[FileCall], kept_names: Sequence[str], start: int = 0) -> None:
        self._calls, self._kept = calls, kept_names
        self._next = start
        self._opens = {call.handle: call for call in calls if call.kind == "open"}
        self._too_full = False
        self._removing = False
        self._changes = -1  # of the flash, when the run began last
        self._tried = 0  # the handle that was to be opened again just now

    def next_call(self, store: Store, files: dict[int, StoreFile], changes: int) -> FileCall | None:
        """None: the device is switched off, as the run has it, or because a whole run has changed nothing on the flash
        (`changes` counts that): the power would never be cut."""
        if self._next >= len(self._calls):
            idle, self._changes = changes == self._changes, changes
            self._next, self._removing, self._too_full = 0, self._too_full, False
            if idle:
                return None
        if self._removing:
            name = next((name for name in store.names() if name not in self._kept), None)
            if name is not None:
                return FileCall("remove", name)
            self._removing = False
        call = replace(self._calls[self._next], error="")
        if call.kind not in ("open", "mount") and call.handle and call.handle not in files:
            again = self._opened_again(store, call.handle)
            if again is not None and call.kind != "close" and self._tried != call.handle:
                self._tried = call.handle
                return again
        self._next, self._tried = self._next + 1, 0
        return None if call.kind == "mount" else call

    def refused(self) -> None:
        """There was no room for the call given last."""
        self._too_full = True

    def _opened_again(self, store: Store, handle: int) -> FileCall | None:
        first = self._opens.get(handle)
        if first is None or (first.mode.startswith("r") and not store.exists(first.name)):
            return None
        mode = "r+" if first.mode[0] in "wx" and store.exists(first.name) else first.mode
        return replace(first, mode=mode, error="")


class Planned:
    """The calls that a session has."""

    def __init__(self, calls: Sequence[FileCall]) -> None:
        self._calls = iter(list(calls))

    def next_call(self, store: Store, files: dict[int, StoreFile], changes: int) -> FileCall | None:
        return next(self._calls, None)

    def refused(self) -> None: ...
