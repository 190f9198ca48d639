"""How a recording's open flags, writes and reads are put to a handle of the store."""

from __future__ import annotations

import io

_ZEROS = bytes(65_536)


def open_mode(flags: set[str], exists: bool) -> str:
    """The store's open mode that does what the flags did. Appending is done by seeking, since O_APPEND can change.

    What may be read and written is no matter: the host has refused the rest.
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
