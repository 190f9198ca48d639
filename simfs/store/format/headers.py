"""The first bytes of a block, as a mount reads them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from simfs.flash import NorFlash
from simfs.store.format.codec import (
    DISCARD_AT,
    ERASE_RECORD_BYTES,
    FENCE_BYTES,
    OPEN_RECORD_BYTES,
    RECORD_BYTES,
    VERSION,
    OpenRecord,
    decode_erase_record,
    decode_open_copy,
    decode_open_record,
    is_discarded,
    opened_with,
)
from simfs.store.format.errors import CorruptStore

BASE_MAX = 1 << 63  # beyond it no store ever gets
OPEN_AT = ERASE_RECORD_BYTES + FENCE_BYTES
COPY_AT = OPEN_AT + OPEN_RECORD_BYTES
_BLANK = b"\xff" * (RECORD_BYTES - ERASE_RECORD_BYTES)


@dataclass(slots=True)
class Header:
    """The header of a block. A block that is neither `opened` nor `ready`, or is `discarded`, holds nothing and needs
    an erase.

    erase_count  None: unknown
    stated       the bytes of the open record, empty unless it is sound: only its copy may be
    version      of the erase record, where there is no sound open record; None: unknown
    """

    block: int
    erase_count: int | None = None
    ready: bool = False
    opened: bool = False
    discarded: bool = False
    stated: bytes = b""
    base: int = 0
    head: int = 0
    tries: int = 0
    salt: int = 0
    version: int | None = None


@lru_cache(64)
def stated_by(raw: bytes) -> OpenRecord | None:
    """The open record in these bytes of a header; None of no bytes."""
    found = decode_open_record(raw) if raw else None
    return None if found is None else found[0]


def read_header(flash: NorFlash, block: int, block_bytes: int) -> Header:
    """One read of 128 bytes."""
    raw = flash.read(block * block_bytes, RECORD_BYTES)
    stated = raw[OPEN_AT:COPY_AT]
    opened = opened_with(stated)
    if opened is None:
        header = _unstated(block, raw)
    else:
        base, erase_count, head, tries, salt = opened
        discarded = is_discarded(raw[DISCARD_AT:])
        header = Header(block, erase_count, False, True, discarded, stated, base, head, tries, salt)
    if header.base >= BASE_MAX:
        raise CorruptStore(f"block {block} has the sequence number {header.base}, which no store reaches")
    return header


def _unstated(block: int, raw: bytes) -> Header:
    """The header of a block without a sound open record."""
    version, erase_count = decode_erase_record(raw) or (None, None)
    header = Header(block, erase_count if version == VERSION else None, version=version)
    if raw.endswith(_BLANK):
        header.ready = header.erase_count is not None
        return header
    copy = decode_open_copy(raw[COPY_AT:])
    if copy is not None:
        header.opened = True
        header.base, header.erase_count, header.head, header.tries, header.salt = copy
    header.discarded = is_discarded(raw[DISCARD_AT:])
    return header
