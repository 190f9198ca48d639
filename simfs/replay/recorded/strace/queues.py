"""Reads and writes that a program hands to the kernel in a queue. strace shows the requests of `io_submit` with their
bytes; those of io_uring stand in memory that it does not see."""

from __future__ import annotations

import re

from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.open_file import OpenFile
from simfs.replay.recorded.strace.context import Context
from simfs.replay.recorded.strace.lines import Call
from simfs.replay.recorded.strace.processes import Process
from simfs.replay.recorded.strace.text import DESCRIPTOR, STRING, unescape, vector_data

THROUGH_A_QUEUE = "a recording does not hold what is done through a queue"

_BUFFER = rf"(?:, aio_buf=(?:{STRING}|\[(.*?)\]|0x[0-9a-f]+|NULL))?"
_REQUEST = re.compile(
    rf"\{{aio_data=\w+(?:, aio_key=\w+)?, aio_lio_opcode=(\w+)(?:, aio_reqprio=\w+)?(?:, aio_fildes={DESCRIPTOR})?"
    rf"{_BUFFER}(?:, aio_nbytes=(\d{{1,20}}))?(?:, aio_offset=(-?\d{{1,20}}))?[^{{}}\"]*\}}(?:, |$)",
    re.DOTALL,
)
_LIST = re.compile(r"\w+, \d+, \[(.*)\]", re.DOTALL)


def submit(context: Context, process: Process, call: Call) -> None:
    """io_submit: as many of its requests as it returned were taken. Each is done at once."""
    if call.value[:1] == "-" or call.value == "0":
        return
    found = _LIST.fullmatch(call.args)
    at, text = 0, found[1] if found else ""
    for _ in range(context.returned(call)):
        request = _REQUEST.match(text, at)
        if request is None:
            _unseen(context, process, call)
            return
        at = request.end()
        file = process.files.get(int(request[2] or -1))
        if file is not None and context.done(process, call, file.name):
            _do(context, file, request)


def results(context: Context, process: Process, call: Call) -> None:
    """io_getevents: a request that failed was replayed, as it is not known which one it is."""
    if re.search(r"\bres=-\d", call.args) and (queued := [file for file in process.files.files() if file.queued]):
        context.store.skip(f"{call.name}: a request of io_submit failed, which one is not in the recording")
        for file in queued:
            context.store.spoil_file(file, "a request of io_submit failed, which one is not in the recording")


def enter_ring(context: Context, process: Process, call: Call) -> None:
    """io_uring_enter."""
    if call.value[:1] != "-":
        _unseen(context, process, call)


def _unseen(context: Context, process: Process, call: Call) -> None:
    context.store.skip(f"{call.name}: {THROUGH_A_QUEUE}")
    for file in process.files.files():
        if file.writes:
            context.store.spoil_file(file, f"{call.name}: {THROUGH_A_QUEUE}")


def _do(context: Context, file: OpenFile, request: re.Match[str]) -> None:
    store, kind = context.store, request[1].removeprefix("IOCB_CMD_")
    if kind in ("FSYNC", "FDSYNC"):
        store.flush(file)
        return
    if kind in ("NOOP", "POLL"):
        return
    at = context.offset(request[8] or "0")
    size_bytes = context.offset(request[7] or "0")
    if kind == "PREAD":
        got = max(0, min(size_bytes, store.size_of(file) - at))  # what came of it is told elsewhere
        store.read(file, got, got, b"", at)
    elif kind == "PWRITE":
        _write(context, file, unescape(request[4] or ""), size_bytes, bool(request[5]) or request[4] is None, at)
    elif kind == "PWRITEV" and request[6] is not None:
        data, cut = vector_data(request[6])
        sizes = sum(int(size) for size in re.findall(r"iov_len=(\d{1,20})\}", request[6]))
        _write(context, file, data, sizes, cut, at)
    elif kind != "PREADV":
        raise Unreadable(f"io_submit has a request {kind} that this replay does not know")


def _write(context: Context, file: OpenFile, data: bytes, size_bytes: int, cut: bool, at: int) -> None:
    missing = max(0, size_bytes - len(data))
    if missing or cut:
        context.lacks_bytes("io_submit", file, cut)
    file.queued = True
    context.store.write(file, data[:size_bytes], missing, at)
