"""Replays calls one after the other: finds whose they are and which file they mean, and hands them on."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Iterable

from simfs.replay.device.device import Device
from simfs.replay.device.notes import TaskTally
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.store import RecordedStore
from simfs.replay.recorded.strace.file_calls import FILE_CALLS, PATH_CALLS
from simfs.replay.recorded.strace.lines import ATTACHED, ENDED, UNKNOWN, Call
from simfs.replay.recorded.strace.process_calls import TABLE_CALLS
from simfs.replay.recorded.strace.processes import OpenFile, Process, Processes
from simfs.replay.recorded.strace.text import DESCRIPTOR, Unreadable, path_text

FAILED_ON_HOST = "failed on the host"
OFFSET_MAX = 2**63 - 1
WRITE_MAX = 0x7FFF_F000  # the most bytes that one call of Linux moves

# These change neither contents nor names nor descriptors of regular files.
_IGNORED = """
    access alarm arch_prctl brk capget capset chmod chown clock_getres clock_gettime clock_nanosleep epoll_create
    epoll_create1 epoll_ctl epoll_pwait epoll_pwait2 epoll_wait eventfd2 exit exit_group faccessat faccessat2 fadvise64
    fchmod fchmodat fchown fchownat fgetxattr flistxattr flock fremovexattr fsetxattr fstatfs futex get_robust_list
    getcpu getdents getdents64 getegid geteuid getgid getgroups getpeername getpgid getpgrp getpid getppid getpriority
    getrandom getresgid getresuid getrlimit getrusage getsid getsockname getsockopt gettid gettimeofday getuid getxattr
    inotify_add_watch inotify_init1 kill lchown lgetxattr listen listxattr llistxattr lstat madvise mincore mlock
    mprotect munlock munmap mremap nanosleep newuname open_tree pause personality pipe pipe2 poll ppoll prctl prlimit64
    pselect6 readahead readlink readlinkat restart_syscall rmdir rseq rt_sigaction rt_sigpending rt_sigprocmask
    rt_sigqueueinfo rt_sigreturn rt_sigsuspend rt_sigtimedwait sched_getaffinity sched_getparam sched_getscheduler
    sched_setaffinity sched_yield select set_robust_list set_tid_address setgid setgroups setitimer setpgid setpriority
    setresgid setresuid setrlimit setsid setsockopt setuid setxattr shutdown sigaltstack socket socketpair stat statfs
    statx sysinfo tgkill time times tkill umask uname utime utimensat utimes wait4 waitid waitpid
"""
IGNORED = frozenset(_IGNORED.split())
_DESCRIPTOR = re.compile(DESCRIPTOR)


class Replayer:
    """Replays the calls of one recording on a device; `directory` stands for the store."""

    def __init__(
        self, device: Device, directory: str, skipped: SkippedLedger, parents_of: Callable[[int], Iterable[int]]
    ) -> None:
        self.store = RecordedStore(device, skipped)
        self.directory = directory
        self.touched = False  # some call concerned the store
        self._skipped = skipped
        self.processes = Processes(parents_of)
        self._real: dict[str, str] = {}  # directory as a program named it -> the one it led to
        self._mentions = (directory, "".join(f"\\x{byte:02x}" for byte in directory.encode("utf-8", "surrogateescape")))

    def apply(self, call: Call) -> None:
        """Replay one call. What can't be is noted, never raised, unless the recording is read strictly."""
        try:
            self._apply(call)
        except Unreadable as error:
            self._skipped.unreadable(call.line, f"{call.name}({call.args[:60]}", str(error))

    def finish(self) -> None:
        """Close what is still open."""
        for process, closed in self.processes.end_all():
            self.store.task = process.task
            self.close_files(closed)
        self.store.finish()

    def _apply(self, call: Call) -> None:
        store = self.store
        store.line, store.first_line, store.stamp = call.line, call.first_line, call.stamp
        if call.name == ATTACHED:
            return self.processes.attached(call.pid)
        process = self.processes.get(call.pid)
        store.task = process.task
        if call.name == ENDED:
            return self.close_files(self.processes.end(call.pid))
        if call.name in TABLE_CALLS:
            return TABLE_CALLS[call.name](self, process, call)
        if call.name in FILE_CALLS:
            return self._on_file(process, call)
        if call.name in PATH_CALLS:
            return self._on_path(process, call)
        if call.value[:1] != "-" and any(mention in call.args for mention in self._mentions):
            self.touched = True
            store.skip(f"{call.name}: a call that this replay does not know")
        return None

    def _on_file(self, process: Process, call: Call) -> None:
        found = _DESCRIPTOR.match(call.args)
        if found is None:
            if call.args.startswith("AT_FDCWD"):  # newfstatat of a path
                return
            raise Unreadable(f"{call.name} begins with a descriptor")
        file = process.files.get(int(found[1]))
        if file is None:
            self.on_stranger(call, found[2])
        elif self.done(process, call, file.name):
            shape, replay = FILE_CALLS[call.name]
            match = shape.fullmatch(call.args, found.end())
            if match is None:
                raise Unreadable(f"{call.name} has other arguments than strace writes")
            replay(self, process, file, call, match)

    def on_stranger(self, call: Call, path: str | None) -> None:
        """A descriptor that no call of the recording opened."""
        name = None if path is None or self.foreign(path) else self.name_of(path_text(path))
        if name is not None and name != "/" and call.value[:1] != "-":
            self.touched = True
            self.store.skip(f"{call.name} on {name}: the recording does not show its opening")

    def _on_path(self, process: Process, call: Call) -> None:
        shape, replay = PATH_CALLS[call.name]
        match = shape.fullmatch(call.args)
        if match is not None:
            replay(self, process, call, match)
        elif call.value[:1] != "-":  # of a failed call strace may write an address in place of a string
            raise Unreadable(f"{call.name} has other arguments than strace writes")

    # --- for strace_calls --------------------------------------------------------------------------------------------

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
            raise Unreadable(f"{text} is no offset; right is 0 to {OFFSET_MAX}")
        return number

    def locate(self, process: Process, at: str | None, at_path: str | None, text: str) -> str | None:
        """The absolute path that a call means, None when the recording does not tell."""
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

    # --- for strace_tables -------------------------------------------------------------------------------------------

    def drop(self, process: Process, numbers: list[int]) -> None:
        """Descriptors are closed."""
        self.close_files(process.files.drop_all(numbers))

    def close_files(self, files: Iterable[OpenFile]) -> None:
        """Files lost their last descriptor."""
        for file in files:
            self.store.close(file)
