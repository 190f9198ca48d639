"""The first bytes of a block, as a mount reads them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from simfs.flash import NorFlash
from simfs.store.codec import (
    DISCARD_AT,
    ERASE_RECORD_BYTES,
    FENCE_BYTES,
    OPEN_RECORD_BYTES,
    RECORD_BYTES,
    OpenRecord,
    decode_erase_count,
    decode_open_copy,
    decode_open_record,
    erase_record_version,
    is_discarded,
)
from simfs.store.errors import CorruptStore

HEADERS_KEPT = 1024  # many blocks say the same: those that were erased as often
BASE_MAX = 1 << 63  # beyond it no store ever gets


@dataclass(slots=True)
class Header:
    """What a block says of itself. A block that is neither `opened` nor `ready`, or is `discarded`, holds nothing, and
    needs an erase.

    erase_count  None: unknown
    record       the open record, unless only its copy is sound
    """

    block: int
    erase_count: int | None = None
    ready: bool = False
    opened: bool = False
    discarded: bool = False
    record: OpenRecord | None = None
    base: int = 0
    head: int = 0
    salt: int = 0
    version: int | None = None

    def fields(self) -> Fields:
        """All but the block."""
        return (
            self.erase_count, self.ready, self.opened, self.discarded, self.record, self.base, self.head, self.salt,
            self.version,
        )  # fmt: skip


def read_header(flash: NorFlash, block: int, block_bytes: int) -> Header:
    """One read of 128 bytes."""
    header = Header(block, *_decoded(flash.read(block * block_bytes, RECORD_BYTES)))
    if header.base >= BASE_MAX:
        raise CorruptStore(f"block {block} has the sequence number {header.base}, which no store reaches")
    return header


Fields = tuple[int | None, bool, bool, bool, OpenRecord | None, int, int, int, int | None]


@lru_cache(HEADERS_KEPT)
def _decoded(raw: bytes) -> Fields:
    """What the first bytes of a block say, in the order of Header's fields."""
    header = Header(0, decode_erase_count(raw), version=erase_record_version(raw))
    if raw[ERASE_RECORD_BYTES:] == b"\xff" * (RECORD_BYTES - ERASE_RECORD_BYTES):
        header.ready = header.erase_count is not None
        return header.fields()
    opened = raw[ERASE_RECORD_BYTES + FENCE_BYTES :]
    found = decode_open_record(opened)
    copy = decode_open_copy(opened[OPEN_RECORD_BYTES:]) if found is None else None
    if found is not None:
        header.record, header.salt = found
        header.base, header.erase_count, header.head = found[0].base, found[0].erase_count, found[0].head
    elif copy is not None:
        header.base, header.erase_count, header.head, header.salt = copy
    header.opened = found is not None or copy is not None
    header.discarded = is_discarded(raw[DISCARD_AT:])
    return header.fields()
