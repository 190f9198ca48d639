"""What each system call means: the shape of its arguments, and the function that replays it.

`FILE_CALLS` act on a descriptor of a file in the store, their shape is what follows it. `PATH_CALLS` name a place. What
concerns processes and descriptors as such is in `strace_tables`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING

from simfs.replay.recorded.strace.lines import Call
from simfs.replay.recorded.strace.processes import OpenFile, Process
from simfs.replay.recorded.strace.text import DESCRIPTOR, FLAGS, NUMBER, PLACE, STRING, unescape, vector_data

if TYPE_CHECKING:
    from simfs.replay.recorded.strace.replayer import Replayer

Match = re.Match[str]
FileCall = Callable[["Replayer", Process, OpenFile, Call, Match], None]
PathCall = Callable[["Replayer", Process, Call, Match], None]

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


def _take(replay: Replayer, file: OpenFile, data: bytes, cut: bool, call: Call) -> tuple[bytes, int]:
    """The bytes that a write took, and how many more it took that the recording lacks: what it returned counts."""
    returned = replay.returned(call)
    if len(data) < returned:
        why = "strace cut the string short" if cut else "the recording holds fewer bytes than were written"
        replay.store.skip(f"write on {file.name}: {why}; the rest is written as zeros (record with -s 1048576)")
    return data[:returned], max(0, returned - len(data))


@_on_file("write", shape=rf", {STRING}, {NUMBER}")
def _write(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    data, missing = _take(replay, file, unescape(match[1]), bool(match[2]), call)
    replay.store.write(file, data, missing, None)


@_on_file("pwrite64", "pwrite", shape=rf", {STRING}, {NUMBER}, {NUMBER}")
def _write_at(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    data, missing = _take(replay, file, unescape(match[1]), bool(match[2]), call)
    replay.store.write(file, data, missing, replay.offset(match[4]))


@_on_file("writev", "pwritev", "pwritev2", shape=rf", {_BUFFERS}, {NUMBER}(?:, {NUMBER})?(?:, {FLAGS})?")
def _write_buffers(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    data, missing = _take(replay, file, *vector_data(match[1]), call)
    at = None if match[3] in (None, "-1") else replay.offset(match[3])
    flags = set((match[4] or "").split("|"))
    synced = bool(flags & {"RWF_SYNC", "RWF_DSYNC"})
    replay.store.write(file, data, missing, at, appends="RWF_APPEND" in flags, synced=synced)


@_on_file("read", shape=rf", {STRING}, {NUMBER}")
def _read(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    returned = replay.returned(call)
    replay.store.read(file, int(match[3]), returned, unescape(match[1])[:returned], None)


@_on_file("pread64", "pread", shape=rf", {STRING}, {NUMBER}, {NUMBER}")
def _read_at(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    returned = replay.returned(call)
    replay.store.read(file, int(match[3]), returned, unescape(match[1])[:returned], replay.offset(match[4]))


@_on_file("readv", "preadv", "preadv2", shape=rf", {_BUFFERS}, {NUMBER}(?:, {NUMBER})?(?:, {FLAGS})?")
def _read_buffers(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    returned = replay.returned(call)
    data, cut = vector_data(match[1])
    asked = returned if cut else sum(int(size) for size in re.findall(r"iov_len=(\d{1,20})\}", match[1]))
    at = None if match[3] in (None, "-1") else replay.offset(match[3])
    replay.store.read(file, max(asked, returned), returned, data[:returned], at)


@_on_file("lseek", "_llseek", shape=rf", {NUMBER}, (?:\[\d+\], )?(SEEK_\w+)")
def _seek(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    file.position = replay.returned(call)
    if match[2] == "SEEK_END":
        replay.store.check_size(file, file.position - int(match[1]))


@_on_file("ftruncate", "ftruncate64", shape=rf", {NUMBER}")
def _truncate_open(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    replay.store.truncate(file, replay.offset(match[1]))


@_on_file("fallocate", shape=rf", {FLAGS}, {NUMBER}, {NUMBER}")
def _allocate(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    modes = set(match[1].split("|"))
    start, end = replay.offset(match[2]), replay.offset(match[2]) + replay.offset(match[3])
    if modes & {"FALLOC_FL_COLLAPSE_RANGE", "FALLOC_FL_INSERT_RANGE"}:
        replay.store.skip(f"fallocate on {file.name}: {match[1]} moves bytes inside the file")
        return
    if "FALLOC_FL_KEEP_SIZE" not in modes:
        replay.store.extend(file, end)
    if modes & {"FALLOC_FL_PUNCH_HOLE", "FALLOC_FL_ZERO_RANGE"}:
        replay.store.clear(file, start, end)


@_on_file("fsync", "fdatasync", "sync_file_range", "sync_file_range2")
def _flush(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    replay.store.flush(file)


@_on_file("syncfs")
def _flush_all(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    replay.store.flush_all()


@_on_file("fstat", "newfstatat", "fstat64")
def _status(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    """Of a descriptor: its size on the host is a check."""
    size = _SIZE.search(match[0]) if "{st_mode=S_IFREG|" in match[0] else None
    if size and (call.name != "newfstatat" or match[0].startswith(', "", ')):
        replay.store.check_size(file, int(size[1]))


@_on_file("ioctl", shape=rf", {FLAGS}{_REST}")
def _control(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    if "CLONE" in match[1] or "DEDUPE" in match[1]:
        replay.store.skip(f"ioctl {match[1]} into {file.name}: a recording does not hold the bytes")


# --- descriptors -----------------------------------------------------------------------------------------------------


@_on_file("dup", shape="")
def _duplicate(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    replay.put(process, replay.returned(call), file, close_on_exec=False)


@_on_file("fcntl", "fcntl64", shape=r", (F_\w+)(?:, (.*))?")
def _descriptor_control(replay: Replayer, process: Process, file: OpenFile, call: Call, match: Match) -> None:
    command, argument = match[1], match[2] or ""
    if command in ("F_DUPFD", "F_DUPFD_CLOEXEC"):
        replay.put(process, replay.returned(call), file, close_on_exec=command == "F_DUPFD_CLOEXEC")
    elif command == "F_SETFD":
        found = re.match(r"\d+", call.args)
        process.files.mark(int(found[0]) if found else -1, "FD_CLOEXEC" in argument)
    elif command == "F_SETFL":
        file.appends = "O_APPEND" in argument


# --- places ----------------------------------------------------------------------------------------------------------


@_on_path("open", shape=rf"{STRING}, {FLAGS}(?:, {NUMBER})?")
def _open(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    replay.open(process, call, replay.locate(process, None, None, match[1]), match[3])


@_on_path("creat", shape=rf"{STRING}, {NUMBER}")
def _create(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    replay.open(process, call, replay.locate(process, None, None, match[1]), "O_WRONLY|O_CREAT|O_TRUNC")


@_on_path("openat", shape=rf"{PLACE}, {STRING}, {FLAGS}(?:, {NUMBER})?")
def _open_at(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    if match[1] == "AT_FDCWD" and match[2] is not None:
        process.where.show(match[2])
    if call.path is None or not replay.foreign(call.path):
        replay.open(process, call, replay.locate(process, match[1], match[2], match[3]), match[5])
    else:
        replay.drop(process, [replay.returned(call)])


@_on_path("openat2", shape=rf"{PLACE}, {STRING}, \{{flags={FLAGS}(?:, .*)?\}}, {NUMBER}")
def _open_at_2(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    replay.open(process, call, replay.locate(process, match[1], match[2], match[3]), match[5])


@_on_path("truncate", "truncate64", shape=rf"{STRING}, {NUMBER}")
def _truncate(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    name = replay.name_of(replay.locate(process, None, None, match[1]))
    if name is not None and replay.done(process, call, name):
        replay.store.truncate_name(name, replay.offset(match[3]))


@_on_path("unlink", shape=STRING)
def _unlink(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    name = replay.name_of(replay.locate(process, None, None, match[1]))
    if name is not None and replay.done(process, call, name):
        replay.store.remove(name)


@_on_path("unlinkat", shape=rf"{PLACE}, {STRING}, {FLAGS}")
def _unlink_at(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    name = replay.name_of(replay.locate(process, match[1], match[2], match[3]))
    if name is not None and "AT_REMOVEDIR" not in match[5] and replay.done(process, call, name):
        replay.store.remove(name)


@_on_path("rename", shape=rf"{STRING}, {STRING}")
def _rename(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    old, new = replay.locate(process, None, None, match[1]), replay.locate(process, None, None, match[3])
    replay.rename(process, call, old, new, "")


@_on_path("renameat", "renameat2", shape=rf"{PLACE}, {STRING}, {PLACE}, {STRING}(?:, {FLAGS})?")
def _rename_at(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    old = replay.locate(process, match[1], match[2], match[3])
    new = replay.locate(process, match[5], match[6], match[7])
    replay.rename(process, call, old, new, match[9] or "0")


@_on_path("mkdir", shape=rf"{STRING}, {NUMBER}")
def _make_directory(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    name = replay.name_of(replay.locate(process, None, None, match[1]))
    if name is not None and replay.done(process, call, name):
        replay.store.add_directory(name)


@_on_path("mkdirat", shape=rf"{PLACE}, {STRING}, {NUMBER}")
def _make_directory_at(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    name = replay.name_of(replay.locate(process, match[1], match[2], match[3]))
    if name is not None and replay.done(process, call, name):
        replay.store.add_directory(name)


@_on_path("link", "symlink", shape=rf"{STRING}, {STRING}")
def _link(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    replay.linked(process, call, replay.locate(process, None, None, match[3]))


@_on_path("linkat", shape=rf"{PLACE}, {STRING}, {PLACE}, {STRING}, {FLAGS}")
def _link_at(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    replay.linked(process, call, replay.locate(process, match[5], match[6], match[7]))


@_on_path("symlinkat", shape=rf"{STRING}, {PLACE}, {STRING}")
def _symlink_at(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    replay.linked(process, call, replay.locate(process, match[3], match[4], match[5]))


@_on_path("chdir", shape=STRING)
def _change_directory(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    if call.value == "0":
        process.where.change(replay.locate(process, None, None, match[1]))


@_on_path("fchdir", shape=DESCRIPTOR)
def _change_to_open_directory(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    if call.value == "0":
        process.where.change(replay.locate(process, match[1], match[2], ""))


@_on_path("getcwd", shape=rf"{STRING}, {NUMBER}")
def _working_directory(replay: Replayer, process: Process, call: Call, match: Match) -> None:
    if replay.returned(call) > 0:
        process.where.change(replay.locate(process, None, None, match[1]))
