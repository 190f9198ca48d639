"""Copies inside the host's kernel: the recording shows how many bytes went where, and the store has the bytes itself.

Between two files of the store a copy is replayed as a read and a write. `splice` takes the way through a pipe, which is
followed as long as nothing but such copies uses it. Bytes from elsewhere are not in a recording: zeros are written, and
the file is named as one that may differ.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from simfs.replay.recorded.open_file import OpenFile
from simfs.replay.recorded.strace.context import Context
from simfs.replay.recorded.strace.lines import Call
from simfs.replay.recorded.strace.processes import Process
from simfs.replay.recorded.strace.text import DESCRIPTOR

NOT_HELD = "a recording does not hold the bytes"
CopyCall = Callable[[Context, Process, Call], None]

_OFFSET = r"(NULL|\[(\d+)\](?: => \[\d+\])?)"
_FIRST_INTO_SECOND = re.compile(rf"{DESCRIPTOR}, {_OFFSET}, {DESCRIPTOR}, {_OFFSET}, .*")
_SECOND_INTO_FIRST = re.compile(rf"{DESCRIPTOR}, {DESCRIPTOR}, {_OFFSET}, .*")
_PIPES = re.compile(r"<(pipe:\[\d+\])>")


@dataclass(frozen=True, slots=True)
class _End:
    """One side of a copy: a file of the store, or something else that -y shows; `at` is None for its position."""

    file: OpenFile | None
    shown: str | None
    at: int | None


def copy_range(context: Context, process: Process, call: Call) -> None:
    """copy_file_range and splice."""
    found = _FIRST_INTO_SECOND.fullmatch(call.args)
    if found:
        source = _end(context, process, found[1], found[2], found[4])
        _copy(context, process, call, source, _end(context, process, found[5], found[6], found[8]))


def send_file(context: Context, process: Process, call: Call) -> None:
    """sendfile."""
    found = _SECOND_INTO_FIRST.fullmatch(call.args)
    if found:
        source = _end(context, process, found[3], found[4], found[6])
        _copy(context, process, call, source, _end(context, process, found[1], found[2], None))


def disturb_pipes(context: Context, process: Process, call: Call) -> None:
    """tee and vmsplice: their bytes are not followed."""
    if call.value[:1] != "-":
        for shown in _PIPES.findall(call.args):
            context.pipes.disturb(shown)


def clone(context: Context, process: Process, call: Call, target: OpenFile, request: str, descriptor: str) -> None:
    """An ioctl that lets a file share the bytes of another one."""
    found = re.match(DESCRIPTOR, descriptor)
    source = process.files.get(int(found[1])) if found else None
    if source is None or "RANGE" in request or "DEDUPE" in request:
        data, size_bytes, why = None, 0, NOT_HELD
    else:
        size_bytes = context.store.size_of(source)
        data, why = context.store.take(source, size_bytes, 0), _why_not(context, source)
    context.store.put(f"ioctl {request}", target, data, size_bytes, 0, why)
    _pass_on(context, source, target)


def _end(context: Context, process: Process, number: str, shown: str | None, offset: str | None) -> _End:
    return _End(process.files.get(int(number)), shown, None if offset is None else context.offset(offset))


def _copy(context: Context, process: Process, call: Call, source: _End, target: _End) -> None:
    file = target.file or source.file
    if file is None or not context.done(process, call, file.name):
        return
    size_bytes = context.returned(call)
    if not size_bytes:
        return
    if source.file:
        data, why = context.store.take(source.file, size_bytes, source.at), _why_not(context, source.file)
    else:
        data, why = context.pipes.take(source.shown, size_bytes), NOT_HELD
    if target.file is None:
        context.pipes.put(target.shown, data, size_bytes)
        return
    if data is None and call.name == "copy_file_range" and source.file is None:
        why += " (record with --inject=copy_file_range:error=ENOSYS)"
    context.store.put(call.name, target.file, data, size_bytes, target.at, why)
    _pass_on(context, source.file, target.file)


def _why_not(context: Context, source: OpenFile) -> str:
    """Why the store has not the bytes of a file of its own."""
    return source.lost or f"the store's {source.name} has not the bytes that the host's had"


def _pass_on(context: Context, source: OpenFile | None, target: OpenFile) -> None:
    """What may differ in a file may differ in its copy."""
    if source and source.linked and context.store.differing.why(source.name):
        context.store.spoil_file(target, f"it has bytes of {source.name}, which may differ")
