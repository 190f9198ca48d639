"""Replays calls one after the other: finds the process and the file of each, and passes it on."""

from __future__ import annotations

import re

from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.strace.context import Context
from simfs.replay.recorded.strace.file_calls import FILE_CALLS, PATH_CALLS
from simfs.replay.recorded.strace.lines import ATTACHED, ENDED, Call
from simfs.replay.recorded.strace.process_calls import PROCESS_CALLS
from simfs.replay.recorded.strace.processes import Process
from simfs.replay.recorded.strace.text import DESCRIPTOR, path_text
from simfs.replay.recorded.strace.told_calls import TOLD_CALLS, tell

# Beside TOLD_CALLS, these change neither contents nor names nor descriptors of regular files.
_IGNORED = """
    access alarm arch_prctl brk capget capset chmod chown clock_getres clock_gettime clock_nanosleep epoll_create
    epoll_create1 epoll_ctl epoll_pwait epoll_pwait2 epoll_wait eventfd2 exit exit_group faccessat faccessat2 fadvise64
    fchmod fchmodat fchown fchownat fgetxattr flistxattr flock fremovexattr fsetxattr fstatfs futex get_robust_list
    getcpu getegid geteuid getgid getgroups getpeername getpgid getpgrp getpid getppid getpriority
    getrandom getresgid getresuid getrlimit getrusage getsid getsockname getsockopt gettid gettimeofday getuid getxattr
    inotify_add_watch inotify_init1 kill lchown lgetxattr listen listxattr llistxattr lstat madvise mincore mlock
    mprotect munlock munmap mremap nanosleep newuname open_tree pause personality pipe pipe2 poll ppoll prctl prlimit64
    pselect6 readahead readlink readlinkat restart_syscall rseq rt_sigaction rt_sigpending rt_sigprocmask
    rt_sigqueueinfo rt_sigreturn rt_sigsuspend rt_sigtimedwait sched_getaffinity sched_getparam sched_getscheduler
    sched_setaffinity sched_yield select set_robust_list set_tid_address setgid setgroups setitimer setpgid setpriority
    setresgid setresuid setrlimit setsid setsockopt setuid setxattr shutdown sigaltstack socket socketpair stat statfs
    statx sysinfo tgkill time times tkill umask uname wait4 waitid waitpid
"""
IGNORED = frozenset(_IGNORED.split())
UNKNOWN_CALL = "a call that this replay does not know"
_DESCRIPTOR = re.compile(DESCRIPTOR)
_SHOWN = re.compile(r'<([^<>"]*)>|"(/[^"\\]*+(?:\\.[^"\\]*+)*+|\\x2f[^"]*)"')


class Replayer:
    """Replays the calls of one recording."""

    def __init__(self, context: Context, skipped: SkippedLedger) -> None:
        self._context = context
        self._skipped = skipped
        directory = context.directory
        self._mentions = (directory, "".join(f"\\x{byte:02x}" for byte in directory.encode("utf-8", "surrogateescape")))

    def apply(self, call: Call) -> None:
        """Replay one call. If it can't be replayed that is noted, and raised only if the recording is read strictly."""
        try:
            self._apply(call)
        except Unreadable as error:
            self._skipped.unreadable(call.line, f"{call.name}({call.args[:60]}", str(error))

    def finish(self) -> None:
        """Close what is still open."""
        context = self._context
        for process, closed in context.processes.end_all():
            context.store.task = process.task
            context.close_files(closed)
        context.store.finish()

    def _apply(self, call: Call) -> None:
        context, store = self._context, self._context.store
        store.line, store.first_line, store.stamp = call.line, call.first_line, call.stamp
        if call.name == ATTACHED:
            return context.processes.attached(call.pid)
        process = context.processes.get(call.pid)
        store.task = process.task
        if call.name == ENDED:
            return context.close_files(context.processes.end(call.pid))
        if call.name in TOLD_CALLS:
            return tell(context, process, call)
        if call.name in PROCESS_CALLS:
            return PROCESS_CALLS[call.name](context, process, call)
        if call.name in FILE_CALLS:
            return self._on_file(process, call)
        if call.name in PATH_CALLS:
            return self._on_path(process, call)
        if call.value[:1] != "-" and any(mention in call.args for mention in self._mentions):
            context.touched = True
            store.skip(f"{call.name}: {UNKNOWN_CALL}")
            for shown, quoted in _SHOWN.findall(call.args):
                name = context.name_of(path_text(shown or quoted))
                if name not in (None, "/"):
                    store.spoil(str(name), f"{call.name}: {UNKNOWN_CALL}")
        return None

    def _on_file(self, process: Process, call: Call) -> None:
        context = self._context
        found = _DESCRIPTOR.match(call.args)
        if found is None:
            if call.args.startswith("AT_FDCWD"):  # newfstatat of a path
                return
            raise Unreadable(f"{call.name} begins with a descriptor")
        file = process.files.get(int(found[1]))
        if file is None:
            context.on_stranger(call, found[2])
        elif context.done(process, call, file.name):
            try:
                shape, replay = FILE_CALLS[call.name]
                match = shape.fullmatch(call.args, found.end())
                if match is None:
                    raise Unreadable(f"{call.name} has other arguments than strace writes")
                replay(context, process, file, call, match)
            except Unreadable:
                context.store.spoil_file(file, f"{call.name}: its line can't be read")
                raise

    def _on_path(self, process: Process, call: Call) -> None:
        shape, replay = PATH_CALLS[call.name]
        match = shape.fullmatch(call.args)
        if match is not None:
            replay(self._context, process, call, match)
        elif call.value[:1] != "-":  # of a failed call strace may write an address in place of a string
            raise Unreadable(f"{call.name} has other arguments than strace writes")
