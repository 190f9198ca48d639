"""System calls that change nothing in a store, which has neither directories nor times: observers are told of them."""

from __future__ import annotations

import posixpath
import re

from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.strace.context import Context
from simfs.replay.recorded.strace.lines import Call
from simfs.replay.recorded.strace.processes import Process
from simfs.replay.recorded.strace.text import path_text

TOLD_CALLS = {
    "rmdir": "directory removed",
    "getdents": "directory listed",
    "getdents64": "directory listed",
    **dict.fromkeys(("utime", "utimes", "utimensat", "futimesat"), "times set"),
}
"""What each does. A removal by unlinkat is one of `file_calls`."""

_FIRST = re.compile(r'(?:(?:AT_FDCWD|\d+)(?:<([^<>]*)>)?(?:, )?)?(?:"((?:[^"\\]|\\.)*)")?')


def tell(context: Context, process: Process, call: Call) -> None:
    """Tell observers of a call on the store that succeeded. One whose path the recording does not show is left out."""
    if not context.store.device.observers or call.value[:1] in ("-", "?"):
        return
    try:
        name = context.name_of(_path(process, call.args))
    except Unreadable:
        return
    if name is not None:
        context.store.tell(TOLD_CALLS[call.name], name)


def _path(process: Process, args: str) -> str | None:
    """The absolute path that the first arguments mean; None if the recording does not show it."""
    match = _FIRST.match(args)
    if match is None or (match[1] is None and match[2] is None):
        return None
    path = path_text(match[2] or "")
    if not path.startswith("/"):
        base = path_text(match[1]) if match[1] is not None else process.where.path
        if base is None:
            return None
        path = f"{base}/{path}"
    return "/" + posixpath.normpath(path).lstrip("/")
