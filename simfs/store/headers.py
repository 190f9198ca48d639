"""The first 64 bytes of a block, as a mount reads them."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.flash import NorFlash
from simfs.store.codec import (
    ERASE_RECORD_BYTES,
    RECORD_BYTES,
    OpenRecord,
    decode_erase_count,
    decode_open_record,
    erase_record_version,
)


@dataclass(slots=True)
class Header:
    """The first 64 bytes of a block. `content`: something stands in it that is no sound header."""

    block: int
    erase_count: int | None = None
    record: OpenRecord | None = None
    salt: int = 0
    content: bool = False
    version: int | None = None
    raw: bytes = b""  # of the open record, where the erase record before it is not sound

    def believe(self, erase_count: int) -> bool:
        """Take the erase count from elsewhere, if the open record is sound with it, on which its CRC depends."""
        opened = decode_open_record(self.raw, erase_count) if self.raw else None
        if opened is None:
            return False
        self.record, self.salt = opened
        self.erase_count, self.content = erase_count, False
        return True


def read_header(flash: NorFlash, block: int, block_bytes: int) -> Header:
    """One read of 64 bytes."""
    raw = flash.read(block * block_bytes, RECORD_BYTES)
    header = Header(block, decode_erase_count(raw))
    if header.erase_count is None:
        header.content = raw != b"\xff" * RECORD_BYTES
        header.version = erase_record_version(raw)
        header.raw = raw[ERASE_RECORD_BYTES:]
        return header
    if raw[ERASE_RECORD_BYTES:] == b"\xff" * (RECORD_BYTES - ERASE_RECORD_BYTES):
        return header
    opened = decode_open_record(raw[ERASE_RECORD_BYTES:], header.erase_count)
    if opened is None:
        header.content = True
    else:
        header.record, header.salt = opened
    return header
