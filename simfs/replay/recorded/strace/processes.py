"""Processes of a recording, their descriptors, and the open files behind these.

As in POSIX an *open file* (a description) has one position, which every descriptor that came from it by dup or fork
shares. It is closed when its last descriptor goes; the methods here hand such files back, and the caller closes them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.open_file import OpenFile
from simfs.replay.recorded.strace.text import path_text

COPIES_MAX = 1_000_000


class CopyRoom:
    """How many descriptors copied for new processes there may still be: a recording of a few lines must not cost
    memory by their square."""

    def __init__(self) -> None:
        self.left = COPIES_MAX

    def take(self, count: int) -> None:
        if count > self.left:
            raise Unreadable(f"its processes hold more than {COPIES_MAX:,} copies of descriptors; record fewer of them")
        self.left -= count


class Descriptors:
    """A table of descriptors, holding those of files in the store. Threads share one table."""

    def __init__(self, room: CopyRoom, entries: dict[int, tuple[OpenFile, bool]] | None = None) -> None:
        self._room = room
        self._entries = entries or {}  # descriptor -> file, close on exec
        self._copied = len(self._entries)
        room.take(self._copied)
        self.sharers = 1
        for file, _ in self._entries.values():
            file.holders += 1

    def get(self, number: int) -> OpenFile | None:
        entry = self._entries.get(number)
        return entry and entry[0]

    def put(self, number: int, file: OpenFile, close_on_exec: bool) -> OpenFile | None:
        """Let `number` stand for `file`; returns the file that thereby lost its last descriptor."""
        file.holders += 1
        closed = self.drop(number)
        self._entries[number] = file, close_on_exec
        return closed

    def drop(self, number: int) -> OpenFile | None:
        """Close a descriptor; returns its file if it was the last one."""
        entry = self._entries.pop(number, None)
        if entry is None:
            return None
        file = entry[0]
        file.holders -= 1
        return None if file.holders else file

    def mark(self, number: int, close_on_exec: bool) -> None:
        """Set or clear FD_CLOEXEC."""
        if number in self._entries:
            self._entries[number] = self._entries[number][0], close_on_exec

    def within(self, first: int, last: int) -> list[int]:
        """The descriptors of this table from `first` to `last`."""
        return [number for number in sorted(self._entries) if first <= number <= last]

    def marked(self) -> list[int]:
        """The descriptors that an exec closes."""
        return [number for number, (_, close_on_exec) in self._entries.items() if close_on_exec]

    def drop_all(self, numbers: Iterable[int]) -> list[OpenFile]:
        """Close several; returns the files that lost their last descriptor."""
        return [file for number in numbers if (file := self.drop(number))]

    def copy(self) -> Descriptors:
        """The table of a new process: its own, with the same open files behind it."""
        return Descriptors(self._room, self._entries.copy())

    def end(self) -> list[OpenFile]:
        """The last process that had this table is over; returns the files that lost their last descriptor."""
        self._room.left += self._copied
        return self.drop_all(sorted(self._entries))

    def files(self) -> Iterator[OpenFile]:
        for file, _ in self._entries.values():
            yield file


@dataclass(slots=True)
class WorkingDirectory:
    """Where relative paths begin. What -y shows is the truth; a chdir may have passed through symbolic links."""

    path: str | None = None  # None: the recording has not told yet
    _shown: str = ""

    def show(self, text: str) -> None:
        """What -y shows, escaped as strace writes it."""
        if text != self._shown or self.path is None:
            self._shown, self.path = text, path_text(text)

    def change(self, path: str | None) -> None:
        """A chdir."""
        self._shown, self.path = "", path


@dataclass(slots=True)
class Process:
    """A process or a thread."""

    pid: int
    task: str  # the program it runs
    files: Descriptors
    where: WorkingDirectory = field(default_factory=WorkingDirectory)

    def own_files(self) -> None:
        """End the sharing of descriptors with other threads."""
        if self.files.sharers > 1:
            own = self.files.copy()
            self.files.sharers -= 1
            self.files = own


@dataclass(slots=True)
class _Fork:
    parent: Process
    shares_files: bool
    shares_directory: bool


class Processes:
    """All processes of a recording. A new one may run before its parent's clone has returned.

    Where two clones are in flight, `parents_of(pid)` must say which processes will be seen to have made it.
    """

    def __init__(self, parents_of: Callable[[int], Iterable[int]]) -> None:
        self._parents_of = parents_of
        self._room = CopyRoom()
        self._live: dict[int, Process] = {}
        self._forks: dict[int, _Fork] = {}  # parent -> its clone that has not returned
        self._attached: set[int] = set()
        self._silent: set[int] = set()  # made by a clone, not yet followed by strace

    def get(self, pid: int) -> Process:
        """The process of a line. A pid never seen is the child of the clone that has not returned, if there is one."""
        process = self._live.get(pid) or (self._only() if pid == 0 else None)
        if process is not None:
            return process
        if 0 in self._live and pid not in self._attached:
            return self._named(pid)
        if self._forks:
            return self._child(self._fork_of(pid), pid)
        name = f"process {pid}" if pid else "program"
        process = self._live[pid] = Process(pid, name, Descriptors(self._room))
        return process

    def attached(self, pid: int) -> None:
        """strace says that it follows a new process."""
        self._attached.add(pid)
        self._silent.discard(pid)

    def fork_begun(self, process: Process, shares_files: bool, shares_directory: bool) -> None:
        self._forks[process.pid] = _Fork(process, shares_files, shares_directory)

    def fork_failed(self, process: Process) -> None:
        self._forks.pop(process.pid, None)

    def fork_returned(self, process: Process, child: int) -> None:
        fork = self._forks.pop(process.pid, None)
        if fork and child not in self._live:
            self._child(fork, child)
            if child not in self._attached:
                self._silent.add(child)

    def exec(self, process: Process, program: str) -> list[OpenFile]:
        """The process runs another program now; returns the files that this closed."""
        process.task = program.rpartition("/")[2] or program
        process.own_files()
        return process.files.drop_all(process.files.marked())

    def end(self, pid: int) -> list[OpenFile]:
        """A process or thread is over; returns the files that this closed."""
        process = self._live.get(pid) or (self._only() if pid == 0 else None)
        if process is None:
            return []
        del self._live[process.pid]
        self._attached.discard(process.pid)
        self._silent.discard(process.pid)
        self._forks.pop(process.pid, None)
        process.files.sharers -= 1
        return [] if process.files.sharers else process.files.end()

    def end_all(self) -> Iterator[tuple[Process, list[OpenFile]]]:
        """The recording is over."""
        for pid, process in list(self._live.items()):
            yield process, self.end(pid)

    def _only(self) -> Process | None:
        """strace leaves the pid out while it follows only one process. Silent ones it does not follow yet."""
        followed = len(self._live) - len(self._silent)
        if (followed or len(self._live)) != 1:
            return None
        return next(process for pid, process in self._live.items() if not followed or pid not in self._silent)

    def _named(self, pid: int) -> Process:
        """strace begins to write the pid of the first process, because there is a second one."""
        process = self._live[pid] = self._live.pop(0)
        process.pid = pid
        if 0 in self._forks:
            self._forks[pid] = self._forks.pop(0)
        return process

    def _fork_of(self, pid: int) -> _Fork:
        in_flight = list(self._forks.values())
        if len(in_flight) > 1:
            for parent in self._parents_of(pid):
                if parent in self._forks:
                    return self._forks[parent]
        return in_flight[0]

    def _child(self, fork: _Fork, pid: int) -> Process:
        parent = fork.parent
        files = parent.files if fork.shares_files else parent.files.copy()
        files.sharers += fork.shares_files
        where = parent.where if fork.shares_directory else WorkingDirectory(parent.where.path)
        process = self._live[pid] = Process(pid, parent.task, files, where)
        return process
