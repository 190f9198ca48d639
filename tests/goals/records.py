"""Which record a program writes, told from its place and its bytes alone."""

from __future__ import annotations

from collections.abc import Iterable

from simfs.store.format.codec import (
    DISCARD_AT,
    ERASE_RECORD_BYTES,
    FRAME_BYTES,
    HEAD,
    KINDS,
    RECORD_BYTES,
    SEAL_BYTES,
    Kind,
)

ERASE = "erase"
RECORDS = [
    "erase record", "fence", "open record", *(f"{kind.name} frame" for kind in Kind), "rest of a frame",
    "run entries", "seal", "discard mark",
]  # fmt: skip


def records_of(changes: Iterable[tuple[int, bytes | None]], block_bytes: int) -> list[str]:
    """The record that each change writes; ERASE for an erase. A frame's part beyond a page end is the rest of it, run
    entries without the seal stand apart, as they do where that begins a page."""
    found: list[str] = []
    rest_at: dict[int, int] = {}  # where a frame goes on: how many bytes of it are still to come
    for address, data in changes:
        at = address % block_bytes
        if data is None:
            found.append(ERASE)
        elif address in rest_at:
            left = rest_at.pop(address) - len(data)
            if left > 0:
                rest_at[address + len(data)] = left
            found.append("rest of a frame")
        elif at < RECORD_BYTES:
            found.append(_header_part(at, data))
        elif not any(data):
            found.append("fence")  # of frames that a mount writes
        elif at + len(data) == block_bytes:
            found.append("seal" if len(data) <= SEAL_BYTES else "run entries")
        elif data[0] in KINDS:
            left = FRAME_BYTES + HEAD.unpack_from(data)[2] - len(data) if len(data) >= HEAD.size else 0
            if left > 0:
                rest_at[address + len(data)] = left
            found.append(f"{Kind(data[0]).name} frame")
        else:
            found.append("run entries")
    return found


def _header_part(at: int, data: bytes) -> str:
    if at == 0 and len(data) <= ERASE_RECORD_BYTES:
        return "erase record"
    if any(data):
        return "open record"
    return "discard mark" if at == DISCARD_AT else "fence"
