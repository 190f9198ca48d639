"""What the replayed calls share: their process, the file of the store that they mean, and what they return."""

from __future__ import annotations

import posixpath
from collections.abc import Callable, Iterable

from simfs.replay.device.device import Device
from simfs.replay.device.notes import TaskTally
from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.open_file import OpenFile
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.store import RecordedStore
from simfs.replay.recorded.strace.lines import UNKNOWN, Call, stamp_ns
from simfs.replay.recorded.strace.processes import Process, Processes
from simfs.replay.recorded.strace.text import path_text

FAILED_ON_HOST = "failed on the host"
OFFSET_MAX = 2**63 - 1


class TracedStore(RecordedStore):
    """A store with the times of a recording; `stamp` is that of the present call."""

    stamp = ("0", "0")

    def due_ns(self) -> int:
        return stamp_ns(*self.stamp)


class Context:
    """The device, the processes and the places of one recording; `directory` stands for the store."""

    def __init__(
        self, device: Device, directory: str, skipped: SkippedLedger, parents_of: Callable[[int], Iterable[int]]
    ) -> None:
        self.store = TracedStore(device, skipped)
        self.directory = directory
        self.touched = False  # some call concerned the store
        self.processes = Processes(parents_of)
        self._real: dict[str, str] = {}  # directory as a program named it -> the one it led to

    def done(self, process: Process, call: Call, name: str) -> bool:
        """Whether the call succeeded on the host. One that failed changed nothing and is counted."""
        self.touched = True
        if call.value[:1] == "-":
            tasks = self.store.device.tasks
            tally = tasks.get(process.task) or tasks.setdefault(process.task, TaskTally(process.task))
            tally.operations[FAILED_ON_HOST] += 1
            return False
        if call.value == UNKNOWN:
            self.store.skip(f"{call.name} on {name}: it never returned, what it did is not known")
            return False
        return True

    def returned(self, call: Call) -> int:
        """The count or position that a call returned."""
        if not call.value.isdigit() or int(call.value) > OFFSET_MAX:
            raise Unreadable(f"{call.name} returns a whole number")
        return int(call.value)

    def offset(self, text: str) -> int:
        """An offset or a length."""
        number = int(text)
        if not 0 <= number <= OFFSET_MAX:
            raise Unreadable(f"{text} is not an offset; right is 0 to {OFFSET_MAX}")
        return number

    def on_stranger(self, call: Call, path: str | None) -> None:
        """A descriptor that no call of the recording opened."""
        name = None if path is None or self.foreign(path) else self.name_of(path_text(path))
        if name is not None and name != "/" and call.value[:1] != "-":
            self.touched = True
            self.store.skip(f"{call.name} on {name}: the recording does not show its opening")

    def locate(self, process: Process, at: str | None, at_path: str | None, text: str) -> str | None:
        """The absolute path that a call means; None if the recording does not show it."""
        path = path_text(text)
        if at == "AT_FDCWD" and at_path is not None:
            process.where.show(at_path)
        if not path.startswith("/"):
            base = process.where.path if at in (None, "AT_FDCWD") else at_path and path_text(at_path)
            if base is None:
                self.store.skip(f"the recording does not tell from where {path!r} is a path (record with -y)")
                return None
            path = f"{base}/{path}"
        path = "/" + posixpath.normpath(path).lstrip("/")
        parent, _, last = path.rpartition("/")
        return f"{self._real[parent]}/{last}" if parent in self._real else path

    def foreign(self, path: str) -> bool:
        """Whether a path, as strace wrote it, is plainly of another place. Cheap, for the many that are."""
        return "\\" not in path and not path.startswith(self.directory)

    def name_of(self, path: str | None) -> str | None:
        """The name in the store of a path, None outside it. The directory itself is `/`."""
        if path is None or not path.startswith(self.directory):
            return None
        rest = path[len(self.directory) :]
        return rest or "/" if rest[:1] in ("", "/") else None

    def put(self, process: Process, number: int, file: OpenFile, close_on_exec: bool) -> None:
        """Let a descriptor stand for a file; what it stood for before is closed."""
        closed = process.files.put(number, file, close_on_exec)
        self.close_files([closed] if closed else [])

    def open(self, process: Process, call: Call, asked: str | None, flag_text: str) -> None:
        """A call opened `asked`; where the path that -y shows differs, there were symbolic links on the way."""
        path = asked if call.path is None else path_text(call.path)
        name = self.name_of(path)
        if name is None:
            if call.value.isdigit():
                self.drop(process, [int(call.value)])
            return
        if asked and path and asked != path and posixpath.basename(asked) == posixpath.basename(path):
            self._real[posixpath.dirname(asked)] = posixpath.dirname(path)
        if self.done(process, call, name):
            number = self.returned(call)
            flags = set(flag_text.split("|"))
            file = self.store.open(name, flags)
            self.put(process, number, file, "O_CLOEXEC" in flags)

    def rename(self, process: Process, call: Call, old_path: str | None, new_path: str | None, flags: str) -> None:
        old, new = self.name_of(old_path), self.name_of(new_path)
        if (old is None and new is None) or not self.done(process, call, str(old or new)):
            return
        if "RENAME_EXCHANGE" in flags:
            self.store.skip(f"rename of {old}: the store can't exchange two names (RENAME_EXCHANGE)")
        elif old is None:
            self.store.skip(f"rename to {new}: it comes from outside, the recording does not hold its bytes")
        elif new is None:
            self.store.move_out(old)
        else:
            self.store.rename(old, new)

    def linked(self, process: Process, call: Call, path: str | None) -> None:
        """A second name for a file, or a name that stands for another."""
        name = self.name_of(path)
        if name is not None and self.done(process, call, name):
            self.store.skip(f"{call.name} of {name}: the store has no links")

    def drop(self, process: Process, numbers: list[int]) -> None:
        """Descriptors are closed."""
        self.close_files(process.files.drop_all(numbers))

    def close_files(self, files: Iterable[OpenFile]) -> None:
        """Files lost their last descriptor."""
        for file in files:
            self.store.close(file)
