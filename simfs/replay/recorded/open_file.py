"""A file that a recording opened: its flags, writes and reads, done on an open file of the store."""

from __future__ import annotations

import io
from dataclasses import dataclass

_ZEROS = bytes(65_536)


@dataclass(slots=True, eq=False)
class OpenFile:
    """One open file of the store, shared by its descriptors. Without a handle it was refused, or `lost` says why."""

    name: str
    handle: io.RawIOBase | None = None
    position: int = 0
    appends: bool = False
    writes: bool = False
    synced: bool = False  # O_SYNC or O_DSYNC: each write is flushed
    directory: bool = False
    lost: str = ""  # why calls on it can't be replayed
    linked: bool = True  # its name is still its own
    queued: bool = False  # written by io_submit
    holders: int = 0


def open_mode(flags: set[str], exists: bool) -> str:
    """The store's open mode that does what the flags did. Appending is done by seeking, since O_APPEND can change.

    Permissions do not matter: the host has refused what was not permitted.
    """
    if {"O_CREAT", "O_EXCL"} <= flags:
        return "xb+"
    if "O_TRUNC" in flags or not exists:
        return "wb+"
    return "rb+" if flags & {"O_WRONLY", "O_RDWR"} else "rb"


def write_whole(handle: io.RawIOBase, data: bytes) -> None:
    """All of `data`, in as many writes as it takes."""
    rest = memoryview(data)
    while rest:
        rest = rest[handle.write(rest) or 0 :]


def write_zeros(handle: io.RawIOBase, size_bytes: int) -> None:
    """So many zeros; none where `size_bytes` is negative."""
    for done in range(0, size_bytes, len(_ZEROS)):
        write_whole(handle, _ZEROS[: size_bytes - done])


def read_whole(handle: io.RawIOBase, size_bytes: int) -> bytes:
    """Up to `size_bytes`; fewer only at the end of the file."""
    parts = bytearray()
    while len(parts) < size_bytes and (part := handle.read(size_bytes - len(parts))):
        parts += part
    return bytes(parts)
