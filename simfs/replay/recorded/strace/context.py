"""What the replayed calls share: their process, the file of the store that they mean, and what they return."""

from __future__ import annotations

import posixpath
from collections.abc import Callable, Iterable

from simfs.replay.device.device import Device
from simfs.replay.device.notes import TaskTally
from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.open_file import OpenFile
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.strace.lines import UNKNOWN, Call
from simfs.replay.recorded.strace.pipes import Pipes
from simfs.replay.recorded.strace.processes import Process, Processes
from simfs.replay.recorded.strace.text import path_text
from simfs.replay.recorded.strace.traced_store import TracedStore

FROM_OUTSIDE = "it comes from outside, the recording does not hold its bytes"
NO_EXCHANGE = "the store can't exchange two names (RENAME_EXCHANGE)"
NEVER_RETURNED = "it never returned, what it did is not known"
NOT_OPENED = "the recording does not show its opening"
FAILED_ON_HOST = "failed on the host"
OFFSET_MAX = 2**63 - 1
_PIPED = frozenset({"read", "readv", "write", "writev"})
_WRITING = frozenset({"write", "pwrite64", "pwrite", "writev", "pwritev", "pwritev2"})
_CHANGING = _WRITING | {"ftruncate", "ftruncate64", "fallocate"}
_READING = frozenset({"read", "pread64", "pread", "readv", "preadv", "preadv2"})
_HARMLESS = _READING | {"lseek", "_llseek", "fstat", "fsync", "fdatasync", "close"}


class Context:
    """The device, the processes and the places of one recording; `directory` stands for the store."""

    def __init__(
        self, device: Device, directory: str, skipped: SkippedLedger, parents_of: Callable[[int], Iterable[int]]
    ) -> None:
        self.store = TracedStore(device, skipped)
        self.directory = directory
        self.touched = False  # some call concerned the store
        self._parents_of = parents_of
        self.begin()

    def begin(self) -> None:
        """A round of the recording begins: no process is known."""
        self.processes = Processes(self._parents_of)
        self.pipes = Pipes()
        self.store.outside.clear()
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
            self.store.skip(f"{call.name} on {name}: {NEVER_RETURNED}")
            if call.name not in _HARMLESS:
                self.store.spoil(name, f"{call.name}: {NEVER_RETURNED}")
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
        if path is not None and path.startswith("pipe:") and call.name in _PIPED and call.value[:1] != "-":
            self.pipes.disturb(path)
        name = None if path is None or self.foreign(path) else self.name_of(path_text(path))
        if name is not None and name != "/" and call.value[:1] != "-":
            self.touched = True
            self.store.skip(f"{call.name} on {name}: {NOT_OPENED}")
            if call.name in _CHANGING or not self.store.device.store.exists(name):
                self.store.spoil(name, NOT_OPENED)

    def lacks_bytes(self, operation: str, file: OpenFile, cut: bool) -> None:
        """A write of which the recording does not hold all bytes."""
        why = "strace cut the string short" if cut else "the recording holds fewer bytes than were written"
        self.store.skip(f"{operation} on {file.name}: {why}; the rest is written as zeros (record with -s 1048576)")
        self.store.spoil_file(file, why)

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

    def file_of(self, path: str | None) -> str | None:
        """As `name_of`, and for a path outside that is a second name of a file in the store, that file's name."""
        name = self.name_of(path)
        return self.store.outside.get(path) if name is None and path is not None else name

    def put(self, process: Process, number: int, file: OpenFile, close_on_exec: bool) -> None:
        """Let a descriptor stand for a file; what it stood for before is closed."""
        closed = process.files.put(number, file, close_on_exec)
        self.close_files([closed] if closed else [])

    def open(self, process: Process, call: Call, asked: str | None, flag_text: str) -> None:
        """A call opened `asked`; where the path that -y shows differs, there were symbolic links on the way."""
        path = asked if call.path is None else path_text(call.path)
        name = self.file_of(path)
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

    def remove(self, process: Process, call: Call, path: str | None) -> None:
        name = self.name_of(path)
        if name is None:
            if call.value == "0":
                self.store.outside.pop(str(path), None)
        elif self.done(process, call, name):
            self.store.remove(name)

    def rename(self, process: Process, call: Call, old_path: str | None, new_path: str | None, flags: str) -> None:
        old, new = self.name_of(old_path), self.name_of(new_path)
        known = None
        if call.value == "0" and "RENAME_EXCHANGE" not in flags:
            known = self.store.rename_outside(str(old_path), str(new_path) if new is None else None)
        if (old is None and new is None) or not self.done(process, call, str(old or new)):
            return
        if "RENAME_EXCHANGE" in flags:
            self.store.skip(f"rename of {old or new}: {NO_EXCHANGE}")
            for name in (old, new):
                if name is not None:
                    self.store.spoil(name, NO_EXCHANGE)
        elif new is None:
            self.store.move_out_to(str(old), str(new_path))
        elif old is not None:
            self.store.rename(old, new)
        elif known is not None:
            self.store.move_in(known, new)
        else:
            self.store.skip(f"rename to {new}: {FROM_OUTSIDE}")
            self.store.spoil(new, FROM_OUTSIDE)

    def link(self, process: Process, call: Call, first_path: str | None, second_path: str | None) -> None:
        """A second name for a file."""
        first, second = self.file_of(first_path), self.name_of(second_path)
        if (first is None and second is None) or not self.done(process, call, str(second or first)):
            return
        if first is None:
            self.store.no_link(call.name, str(second), "it is a second name of a file outside the directory")
        elif second is None:
            self.store.outside[str(second_path)] = self.store.first_name(first)
        else:
            self.store.link(call.name, first, second)

    def symlink(self, process: Process, call: Call, path: str | None) -> None:
        """A name that stands for another."""
        name = self.name_of(path)
        if name is not None and self.done(process, call, name):
            self.store.no_link(call.name, name, "it is a symbolic link")

    def drop(self, process: Process, numbers: list[int]) -> None:
        """Descriptors are closed."""
        self.close_files(process.files.drop_all(numbers))

    def close_files(self, files: Iterable[OpenFile]) -> None:
        """Files lost their last descriptor."""
        for file in files:
            self.store.close(file)
