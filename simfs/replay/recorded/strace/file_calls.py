"""The system calls on files: the shape of each one's arguments, and the function that replays it.

`FILE_CALLS` act on a descriptor of a file in the store; their shape is what follows the descriptor. `PATH_CALLS` name a
path. Calls on processes, and on descriptors alone, are in `process_calls`.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from simfs.replay.recorded.open_file import OpenFile
from simfs.replay.recorded.strace import copies
from simfs.replay.recorded.strace.context import Context
from simfs.replay.recorded.strace.lines import Call
from simfs.replay.recorded.strace.processes import Process
from simfs.replay.recorded.strace.text import DESCRIPTOR, FLAGS, NUMBER, PLACE, STRING, unescape, vector_data

Match = re.Match[str]
FileCall = Callable[[Context, Process, OpenFile, Call, Match], None]
PathCall = Callable[[Context, Process, Call, Match], None]

FILE_CALLS: dict[str, tuple[re.Pattern[str], FileCall]] = {}
PATH_CALLS: dict[str, tuple[re.Pattern[str], PathCall]] = {}

_BUFFERS = r"\[(.*)\]"
_REST = r"(?:, .*)?"
_SIZE = re.compile(r" st_size=(\d{1,20})")


def _on_file(*names: str, shape: str = _REST) -> Callable[[FileCall], FileCall]:
    def enter(function: FileCall) -> FileCall:
        FILE_CALLS.update(dict.fromkeys(names, (re.compile(shape, re.DOTALL), function)))
        return function

    return enter


def _on_path(*names: str, shape: str) -> Callable[[PathCall], PathCall]:
    def enter(function: PathCall) -> PathCall:
        PATH_CALLS.update(dict.fromkeys(names, (re.compile(shape, re.DOTALL), function)))
        return function

    return enter


# --- bytes -----------------------------------------------------------------------------------------------------------


def _take(context: Context, file: OpenFile, data: bytes, cut: bool, call: Call) -> tuple[bytes, int]:
    """The bytes that a write took, by what it returned, and how many of them the recording lacks."""
    returned = context.returned(call)
    if len(data) < returned:
        context.lacks_bytes("write", file, cut)
    return data[:returned], max(0, returned - len(data))


@_on_file("write", shape=rf", {STRING}, {NUMBER}")
def _write(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    data, missing = _take(context, file, unescape(match[1]), bool(match[2]), call)
    context.store.write(file, data, missing, None)


@_on_file("pwrite64", "pwrite", shape=rf", {STRING}, {NUMBER}, {NUMBER}")
def _write_at(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    data, missing = _take(context, file, unescape(match[1]), bool(match[2]), call)
    context.store.write(file, data, missing, context.offset(match[4]))


@_on_file("writev", "pwritev", "pwritev2", shape=rf", {_BUFFERS}, {NUMBER}(?:, {NUMBER})?(?:, {FLAGS})?")
def _write_buffers(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    data, missing = _take(context, file, *vector_data(match[1]), call)
    at = None if match[3] in (None, "-1") else context.offset(match[3])
    flags = set((match[4] or "").split("|"))
    synced = bool(flags & {"RWF_SYNC", "RWF_DSYNC"})
    context.store.write(file, data, missing, at, appends="RWF_APPEND" in flags, synced=synced)


@_on_file("read", shape=rf", {STRING}, {NUMBER}")
def _read(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    returned = context.returned(call)
    context.store.read(file, int(match[3]), returned, unescape(match[1])[:returned], None)


@_on_file("pread64", "pread", shape=rf", {STRING}, {NUMBER}, {NUMBER}")
def _read_at(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    returned = context.returned(call)
    context.store.read(file, int(match[3]), returned, unescape(match[1])[:returned], context.offset(match[4]))


@_on_file("readv", "preadv", "preadv2", shape=rf", {_BUFFERS}, {NUMBER}(?:, {NUMBER})?(?:, {FLAGS})?")
def _read_buffers(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    returned = context.returned(call)
    data, cut = vector_data(match[1])
    asked = returned if cut else sum(int(size) for size in re.findall(r"iov_len=(\d{1,20})\}", match[1]))
    at = None if match[3] in (None, "-1") else context.offset(match[3])
    context.store.read(file, max(asked, returned), returned, data[:returned], at)


@_on_file("lseek", "_llseek", shape=rf", {NUMBER}, (?:\[\d+\], )?(SEEK_\w+)")
def _seek(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    file.position = context.returned(call)
    if match[2] != "SEEK_END":
        return
    if context.store.later_rounds:
        file.position = max(0, context.store.size_of(file) + int(match[1]))
    else:
        context.store.check_size(file, file.position - int(match[1]))


@_on_file("ftruncate", "ftruncate64", shape=rf", {NUMBER}")
def _truncate_open(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    context.store.truncate(file, context.offset(match[1]))


@_on_file("fallocate", shape=rf", {FLAGS}, {NUMBER}, {NUMBER}")
def _allocate(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    modes = set(match[1].split("|"))
    start, end = context.offset(match[2]), context.offset(match[2]) + context.offset(match[3])
    if modes & {"FALLOC_FL_COLLAPSE_RANGE", "FALLOC_FL_INSERT_RANGE"}:
        context.store.skip(f"fallocate on {file.name}: {match[1]} moves bytes inside the file")
        context.store.spoil_file(file, f"fallocate with {match[1]} moves bytes inside the file")
        return
    if "FALLOC_FL_KEEP_SIZE" not in modes:
        context.store.extend(file, end)
    if modes & {"FALLOC_FL_PUNCH_HOLE", "FALLOC_FL_ZERO_RANGE"}:
        context.store.clear(file, start, end)


@_on_file("fsync", "fdatasync", "sync_file_range", "sync_file_range2")
def _flush(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    context.store.flush(file)


@_on_file("syncfs")
def _flush_all(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    context.store.flush_all()


@_on_file("fstat", "newfstatat", "fstat64")
def _status(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    """Status of a descriptor: the file's size on the host is compared with the store's."""
    size = _SIZE.search(match[0]) if "{st_mode=S_IFREG|" in match[0] else None
    if size and (call.name != "newfstatat" or match[0].startswith(', "", ')):
        context.store.check_size(file, int(size[1]))


@_on_file("ioctl", shape=rf", {FLAGS}(?:, (.*))?")
def _control(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    if match[1] in ("FIOCLEX", "FIONCLEX"):
        process.files.mark(_number(call), match[1] == "FIOCLEX")
    elif "CLONE" in match[1] or "DEDUPE" in match[1]:
        copies.clone(context, process, call, file, match[1], match[2] or "")


def _number(call: Call) -> int:
    """The descriptor that a call begins with."""
    found = re.match(r"\d+", call.args)
    return int(found[0]) if found else -1


# --- descriptors -----------------------------------------------------------------------------------------------------


@_on_file("dup", shape="")
def _duplicate(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    context.put(process, context.returned(call), file, close_on_exec=False)


@_on_file("fcntl", "fcntl64", shape=r", (F_\w+)(?:, (.*))?")
def _descriptor_control(context: Context, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    command, argument = match[1], match[2] or ""
    if command in ("F_DUPFD", "F_DUPFD_CLOEXEC"):
        context.put(process, context.returned(call), file, close_on_exec=command == "F_DUPFD_CLOEXEC")
    elif command == "F_SETFD":
        process.files.mark(_number(call), "FD_CLOEXEC" in argument)
    elif command == "F_SETFL":
        file.appends = "O_APPEND" in argument


# --- places ----------------------------------------------------------------------------------------------------------


@_on_path("open", shape=rf"{STRING}, {FLAGS}(?:, {NUMBER})?")
def _open(context: Context, process: Process, call: Call, match: Match) -> None:
    context.open(process, call, context.locate(process, None, None, match[1]), match[3])


@_on_path("creat", shape=rf"{STRING}, {NUMBER}")
def _create(context: Context, process: Process, call: Call, match: Match) -> None:
    context.open(process, call, context.locate(process, None, None, match[1]), "O_WRONLY|O_CREAT|O_TRUNC")


@_on_path("openat", shape=rf"{PLACE}, {STRING}, {FLAGS}(?:, {NUMBER})?")
def _open_at(context: Context, process: Process, call: Call, match: Match) -> None:
    if match[1] == "AT_FDCWD" and match[2] is not None:
        process.where.show(match[2])
    if call.path is None or not context.foreign(call.path) or context.store.outside:
        context.open(process, call, context.locate(process, match[1], match[2], match[3]), match[5])
    else:
        context.drop(process, [context.returned(call)])


@_on_path("openat2", shape=rf"{PLACE}, {STRING}, \{{flags={FLAGS}(?:, .*)?\}}, {NUMBER}")
def _open_at_2(context: Context, process: Process, call: Call, match: Match) -> None:
    context.open(process, call, context.locate(process, match[1], match[2], match[3]), match[5])


@_on_path("truncate", "truncate64", shape=rf"{STRING}, {NUMBER}")
def _truncate(context: Context, process: Process, call: Call, match: Match) -> None:
    name = context.file_of(context.locate(process, None, None, match[1]))
    if name is not None and context.done(process, call, name):
        context.store.truncate_name(name, context.offset(match[3]))


@_on_path("unlink", shape=STRING)
def _unlink(context: Context, process: Process, call: Call, match: Match) -> None:
    context.remove(process, call, context.locate(process, None, None, match[1]))


@_on_path("unlinkat", shape=rf"{PLACE}, {STRING}, {FLAGS}")
def _unlink_at(context: Context, process: Process, call: Call, match: Match) -> None:
    if "AT_REMOVEDIR" not in match[5]:
        context.remove(process, call, context.locate(process, match[1], match[2], match[3]))


@_on_path("rename", shape=rf"{STRING}, {STRING}")
def _rename(context: Context, process: Process, call: Call, match: Match) -> None:
    old, new = context.locate(process, None, None, match[1]), context.locate(process, None, None, match[3])
    context.rename(process, call, old, new, "")


@_on_path("renameat", "renameat2", shape=rf"{PLACE}, {STRING}, {PLACE}, {STRING}(?:, {FLAGS})?")
def _rename_at(context: Context, process: Process, call: Call, match: Match) -> None:
    old = context.locate(process, match[1], match[2], match[3])
    new = context.locate(process, match[5], match[6], match[7])
    context.rename(process, call, old, new, match[9] or "0")


@_on_path("mkdir", shape=rf"{STRING}, {NUMBER}")
def _make_directory(context: Context, process: Process, call: Call, match: Match) -> None:
    name = context.name_of(context.locate(process, None, None, match[1]))
    if name is not None and context.done(process, call, name):
        context.store.add_directory(name)


@_on_path("mkdirat", shape=rf"{PLACE}, {STRING}, {NUMBER}")
def _make_directory_at(context: Context, process: Process, call: Call, match: Match) -> None:
    name = context.name_of(context.locate(process, match[1], match[2], match[3]))
    if name is not None and context.done(process, call, name):
        context.store.add_directory(name)


@_on_path("link", shape=rf"{STRING}, {STRING}")
def _link(context: Context, process: Process, call: Call, match: Match) -> None:
    first = context.locate(process, None, None, match[1])
    context.link(process, call, first, context.locate(process, None, None, match[3]))


@_on_path("symlink", shape=rf"{STRING}, {STRING}")
def _symlink(context: Context, process: Process, call: Call, match: Match) -> None:
    context.symlink(process, call, context.locate(process, None, None, match[3]))


@_on_path("linkat", shape=rf"{PLACE}, {STRING}, {PLACE}, {STRING}, {FLAGS}")
def _link_at(context: Context, process: Process, call: Call, match: Match) -> None:
    first = context.locate(process, match[1], match[2], match[3])
    context.link(process, call, first, context.locate(process, match[5], match[6], match[7]))


@_on_path("symlinkat", shape=rf"{STRING}, {PLACE}, {STRING}")
def _symlink_at(context: Context, process: Process, call: Call, match: Match) -> None:
    context.symlink(process, call, context.locate(process, match[3], match[4], match[5]))


@_on_path("chdir", shape=STRING)
def _change_directory(context: Context, process: Process, call: Call, match: Match) -> None:
    if call.value == "0":
        process.where.change(context.locate(process, None, None, match[1]))


@_on_path("fchdir", shape=DESCRIPTOR)
def _change_to_open_directory(context: Context, process: Process, call: Call, match: Match) -> None:
    if call.value == "0":
        process.where.change(context.locate(process, match[1], match[2], ""))


@_on_path("getcwd", shape=rf"{STRING}, {NUMBER}")
def _working_directory(context: Context, process: Process, call: Call, match: Match) -> None:
    if context.returned(call) > 0:
        process.where.change(context.locate(process, None, None, match[1]))
