"""Calls on processes, on descriptors alone, and between two descriptors, which may not concern the store at all."""

from __future__ import annotations

import re
from collections.abc import Callable

from simfs.replay.recorded.strace import copies, queues
from simfs.replay.recorded.strace.context import Context
from simfs.replay.recorded.strace.lines import Call
from simfs.replay.recorded.strace.processes import Process
from simfs.replay.recorded.strace.text import DESCRIPTOR, NUMBER, STRING, path_text

ProcessCall = Callable[[Context, Process, Call], None]
PROCESS_CALLS: dict[str, ProcessCall] = {}

_DESCRIPTOR = re.compile(DESCRIPTOR)
_ONTO = re.compile(rf"{DESCRIPTOR}, {DESCRIPTOR}(?:, (\w+))?")
_RANGE = re.compile(rf"{NUMBER}, {NUMBER}, (\S+)")
_PROGRAM = re.compile(rf"(?:[^\"]*, )?{STRING}, ")
_MAPPING = re.compile(rf"[^,]+, \d+, ([A-Z_|]+), ([^,]+), {DESCRIPTOR}, \w+")


def _enter(*names: str) -> Callable[[ProcessCall], ProcessCall]:
    def enter(function: ProcessCall) -> ProcessCall:
        PROCESS_CALLS.update(dict.fromkeys(names, function))
        return function

    return enter


@_enter("clone", "clone3", "fork", "vfork")
def _fork(context: Context, process: Process, call: Call) -> None:
    context.processes.fork_begun(process, "CLONE_FILES" in call.args, "CLONE_FS" in call.args)
    if call.value.isdigit():
        context.processes.fork_returned(process, int(call.value))
    elif call.value:
        context.processes.fork_failed(process)


@_enter("execve", "execveat")
def _exec(context: Context, process: Process, call: Call) -> None:
    program = _PROGRAM.match(call.args)
    if call.value == "0" and program:
        context.close_files(context.processes.exec(process, path_text(program[1])))


@_enter("close")
def _close(context: Context, process: Process, call: Call) -> None:
    found = _DESCRIPTOR.match(call.args)
    if found and not call.begun and call.value[:1] != "-":
        context.drop(process, [int(found[1])])


@_enter("close_range")
def _close_range(context: Context, process: Process, call: Call) -> None:
    found = _RANGE.match(call.args)
    if found is None or call.value != "0":
        return
    if "CLOSE_RANGE_UNSHARE" in found[3]:
        process.own_files()
    numbers = process.files.within(int(found[1]), int(found[2]))
    if "CLOSE_RANGE_CLOEXEC" not in found[3]:
        context.drop(process, numbers)
        return
    for number in numbers:
        process.files.mark(number, True)


@_enter("unshare")
def _unshare(context: Context, process: Process, call: Call) -> None:
    if call.value == "0" and "CLONE_FILES" in call.args:
        process.own_files()


@_enter("dup2", "dup3")
def _duplicate_onto(context: Context, process: Process, call: Call) -> None:
    found = _ONTO.fullmatch(call.args)
    if found is None or not call.value.isdigit() or found[1] == call.value:
        return
    file, number = process.files.get(int(found[1])), int(call.value)
    if file is None:
        context.drop(process, [number])
        context.on_stranger(call, found[2])
    else:
        context.put(process, number, file, found[5] == "O_CLOEXEC")


@_enter("sync")
def _sync(context: Context, process: Process, call: Call) -> None:
    context.store.flush_all()


# --- what a recording can't carry ------------------------------------------------------------------------------------


@_enter("mmap", "mmap2")
def _map(context: Context, process: Process, call: Call) -> None:
    found = _MAPPING.fullmatch(call.args)
    file = process.files.get(int(found[3])) if found else None
    if found is None or file is None or not context.done(process, call, file.name):
        return
    if "MAP_SHARED" in found[2] and (file.writes or "PROT_WRITE" in found[1]):
        why = "a recording does not hold what is stored through a shared mapping"
        context.store.skip(f"mmap of {file.name}: {why}")
        context.store.spoil_file(file, why)
    else:
        context.store.skip(f"mmap of {file.name}: a recording does not hold what is read through a mapping")


PROCESS_CALLS.update(
    {
        "copy_file_range": copies.copy_range,
        "splice": copies.copy_range,
        "sendfile": copies.send_file,
        "sendfile64": copies.send_file,
        "tee": copies.disturb_pipes,
        "vmsplice": copies.disturb_pipes,
        "io_submit": queues.submit,
        "io_getevents": queues.results,
        "io_pgetevents": queues.results,
        "io_uring_enter": queues.enter_ring,
    }
)
