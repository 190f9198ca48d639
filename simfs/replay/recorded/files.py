"""Does to open files of the store what the calls of a recording did: one operation of the device for each call.

The recording decides. What a call returned on the host says how far it went and where the position is afterwards. Sizes
and bytes that the host read are compared with the store's, so that a file that something else changed is named, and not
taken for replayed.
"""

from __future__ import annotations

import errno
import io
import os
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Iterable
from typing import ClassVar

from simfs.replay.device.device import Device
from simfs.replay.device.observer import RecordedCall
from simfs.replay.recorded.differing import DifferingFiles
from simfs.replay.recorded.open_file import OpenFile, open_mode, read_whole, write_whole, write_zeros
from simfs.replay.recorded.skipped import SkippedLedger

RECENT_MAX = 256  # changes kept to see which calls overlap
OVERLAPPED = "two calls overlapped, which came first is not in the recording"
STRANGE = "the host's file held bytes that this recording did not write there"
THERE_BEFORE = "it was there before the recording began"


class RecordedFiles(ABC):
    """Performs recorded operations on open files of a device's store.

    `line`, `first_line` (0 if it is the same) and `task` are those of the present call.
    """

    unknown: ClassVar[str] = THERE_BEFORE  # why a name may be used that nothing created

    def __init__(self, device: Device, skipped: SkippedLedger) -> None:
        self.device = device
        self.skipped = skipped
        self.differing = DifferingFiles()
        self.names: dict[str, None] = {}  # every name that a call gave to a file, in order
        self.line = 0
        self.first_line = 0
        self.task = ""
        self.later_rounds = False  # the recording is carried on: the store holds what the first round left
        self._open: set[OpenFile] = set()
        self._refused: set[str] = set()  # names on which the store refused something that the host did
        self._directories: set[str] = set()
        self._recent: deque[tuple[int, str]] = deque(maxlen=RECENT_MAX)

    @abstractmethod
    def due_ns(self) -> int:
        """Device time of the present call."""

    def perform(self, operation: str, name: str, action: Callable[[], object], *, writes: bool) -> bool:
        """One operation now, or as soon as the flash is free. False when the store refused it."""
        device, due_ns = self.device, self.due_ns()
        device.wait_until(due_ns)
        tally = device.tasks.get(self.task)
        refused = tally.refused if tally else 0
        for observer in device.observers:
            observer.at_line(self.line)
        device.perform(self.task, operation, name, action, writes=writes, due_ns=due_ns)
        done = device.tasks[self.task].refused == refused
        if not done:
            self._refused.add(name)
        return done

    def tell(self, kind: str, name: str, flags: Iterable[str] = (), at: int | None = None) -> None:
        """Tell observers of the present call. Nothing is asked of the store where nobody listens."""
        if self.device.observers:
            store = self.device.store
            size_bytes = store.stat(name).size_bytes if store.exists(name) else None
            call = RecordedCall(self.line, kind, name, frozenset(flags), at, size_bytes)
            for observer in self.device.observers:
                observer.called(call)

    def in_order(self, name: str) -> None:
        """Do a change whose order among others on the same file matters. If two overlap, their order is not known."""
        if self.first_line and any(line > self.first_line and name == other for line, other in self._recent):
            self.skip(f"{name}: {OVERLAPPED}")
            self.spoil(name, OVERLAPPED)
        self._recent.append((self.line, name))

    def skip(self, what: str) -> None:
        """Note that the present call can't be replayed."""
        self.skipped.note(self.line, what)

    def spoil(self, name: str, why: str) -> None:
        """From the present call on the file may differ from the host's, as it was after the first round."""
        if not self.later_rounds:
            self.differing.spoil(name, self.line, why)

    def spoil_file(self, file: OpenFile, why: str) -> None:
        """As `spoil`, of an open file; one whose name is gone is not there at the end."""
        if file.linked:
            self.spoil(file.name, why)

    # --- files -------------------------------------------------------------------------------------------------------

    def open(self, name: str, flags: set[str]) -> OpenFile:
        """A file that the host opened."""
        file = OpenFile(name, appends="O_APPEND" in flags, synced=bool(flags & {"O_SYNC", "O_DSYNC"}))
        file.writes = bool(flags & {"O_WRONLY", "O_RDWR"})
        if "O_PATH" in flags or self._is_directory(name, flags):
            file.directory = True
            return file
        self._open.add(file)
        if "O_TMPFILE" in flags:
            file.lost = "a file without a name (O_TMPFILE)"
            self.lost("open", file)
            return file
        exists = self.device.store.exists(name)
        if not exists and "O_CREAT" not in flags and name not in self._refused:
            file.lost = self.differing.why(name) or self.unknown
            self.lost("open", file)
            self.spoil(name, self.unknown)
            return file
        if exists and self.later_rounds and "O_EXCL" in flags:
            flags = flags - {"O_EXCL"} | {"O_TRUNC"}
        mode = open_mode(flags, exists)
        self.tell("open", name, flags)
        changes = mode[0] != "r"
        if changes:
            self.names.setdefault(name)
            self.in_order(name)

        def action() -> None:
            file.handle = self.device.store.open(name, mode)

        self.perform("open", name, action, writes=changes)
        if flags & {"O_TRUNC", "O_EXCL"}:
            self.differing.begins_anew(name)
        elif not exists:
            self.differing.may_be_new(name, self.line)
        return file

    def close(self, file: OpenFile) -> None:
        """The last descriptor of a file went."""
        self._open.discard(file)
        if file.handle is not None:
            self.perform("close", file.name, file.handle.close, writes=file.writes)

    def write(
        self, file: OpenFile, data: bytes, missing: int, at: int | None, *, appends: bool = False, synced: bool = False
    ) -> None:
        """Write `data` and `missing` zeros at the file's position, which moves on, or `at` an offset.

        Where the file appends, Linux appends whatever the offset says.
        """

        def action() -> None:
            handle = self._handle(file)
            if file.appends or appends:
                handle.seek(0, os.SEEK_END)
            else:
                handle.seek(file.position if at is None else at)
            write_whole(handle, data)
            write_zeros(handle, missing)
            if at is None and (data or missing):  # an empty write does not even go to the end
                file.position = handle.tell()
            if file.synced or synced:
                handle.flush()

        position = file.position + len(data) + missing
        at_end = file.appends or appends
        self.tell("write", file.name, at=None if at_end else file.position if at is None else at)
        if at is None or file.appends or appends:
            self.in_order(file.name)
        if self.carried("write", file) and not self.perform("write", file.name, action, writes=True) and at is None:
            file.position = position  # the host's went on

    def read(self, file: OpenFile, asked: int, got: int, data: bytes, at: int | None) -> None:
        """Read what the host read: `got` bytes, which begin with `data`."""
        start = file.position if at is None else at
        if at is None:
            file.position += got

        def action() -> None:
            handle = self._handle(file)
            handle.seek(start)
            one_more = not self.later_rounds  # than there was: the end must be the end
            found = read_whole(handle, min(asked, got + one_more))
            if len(found) != got or not found.startswith(data):
                self.strange(file)

        if got > self.device.store.medium.size_bytes:  # of a hole: a recorded size alone must not cost memory
            self.skip(f"read on {file.name}: more at once than the whole {self.device.store.medium.kind} holds")
        elif self.carried("read", file):
            self.perform("read", file.name, action, writes=False)

    def flush(self, file: OpenFile) -> None:
        if not file.directory and file.writes and self.carried("flush", file):
            self.perform("flush", file.name, lambda: self._handle(file).flush(), writes=True)

    def flush_all(self) -> None:
        """As sync() does."""
        for file in sorted(self._open, key=lambda file: file.name):
            if file.handle is not None:
                self.flush(file)

    def truncate(self, file: OpenFile, size_bytes: int) -> None:
        if self.carried("truncate", file):
            self.in_order(file.name)
            self.perform("truncate", file.name, lambda: self._handle(file).truncate(size_bytes), writes=True)
            self._truncated(file.name, size_bytes, file.linked)

    def extend(self, file: OpenFile, end: int) -> None:
        """Make the file at least `end` bytes long."""

        def action() -> None:
            handle = self._handle(file)
            if handle.seek(0, os.SEEK_END) < end:
                handle.truncate(end)

        if self.carried("truncate", file):
            self.perform("truncate", file.name, action, writes=True)

    def clear(self, file: OpenFile, start: int, end: int) -> None:
        """Zeros from `start` to `end`, as far as the file goes."""

        def action() -> None:
            handle = self._handle(file)
            stop = min(end, handle.seek(0, os.SEEK_END))
            handle.seek(start)
            write_zeros(handle, stop - start)

        if self.carried("write", file):
            self.perform("write", file.name, action, writes=True)

    def check_size(self, file: OpenFile, size_bytes: int) -> None:
        """The host says how large the file is."""
        if file.handle is not None and file.handle.seek(0, os.SEEK_END) != size_bytes:
            self.strange(file)
        elif file.linked:
            self.differing.is_as_on_the_host(file.name)

    # --- what can't be carried ---------------------------------------------------------------------------------------

    def carried(self, operation: str, file: OpenFile) -> bool:
        if file.lost:
            self.lost(operation, file)
        return not file.lost

    def lost(self, operation: str, file: OpenFile) -> None:
        self.skip(f"{operation} on {file.name}: {file.lost}")

    def strange(self, file: OpenFile) -> None:
        if file.name not in self._refused and not self.later_rounds:  # else the refusal says why
            self.skip(f"{file.name}: {STRANGE}")
            self.spoil_file(file, STRANGE)

    def _handle(self, file: OpenFile) -> io.RawIOBase:
        if file.handle is None:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF), file.name)  # its opening was refused
        return file.handle

    def _is_directory(self, name: str, flags: set[str]) -> bool:
        if "O_DIRECTORY" in flags or name in ("", "/") or name in self._directories:
            return True
        store = self.device.store
        return not store.exists(name) and bool(store.names(name + "/"))

    def _truncated(self, name: str, size_bytes: int, linked: bool = True) -> None:
        if linked and not size_bytes:
            self.differing.begins_anew(name)
