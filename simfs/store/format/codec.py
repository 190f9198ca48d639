"""The fast codec of the on-flash format: `struct` and CRC-32, nothing else. `FORMAT.md` says what the fields mean;
`declaration.py` declares the same bytes, and the tests hold the two to each other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import IntEnum
from functools import cache
from struct import Struct
from typing import NamedTuple
from zlib import crc32

VERSION = 3
MAGIC = 0x5F15
ERASE_RECORD_BYTES = 16
FENCE_BYTES = 16
FENCE = bytes(FENCE_BYTES)  # before a program whose cut might leave no trace: so that there is one
OPEN_RECORD_BYTES = 56
OPEN_COPY_BYTES = 24
DISCARD_BYTES = 16
DISCARDED = bytes(DISCARD_BYTES)  # programmed before the erase
DISCARD_AT = ERASE_RECORD_BYTES + FENCE_BYTES + OPEN_RECORD_BYTES + OPEN_COPY_BYTES
RECORD_BYTES = DISCARD_AT + DISCARD_BYTES
RECORDS = 3  # programs that these take; the discard mark is one more
HEADER_BYTES = 16
FRAME_BYTES = 20  # header and CRC-32: what a frame costs beyond its payload
ENTRY_BYTES = 16
SEAL_BYTES = 16
UNLISTED = 0xFFFF  # a seal with this many entries lists none: the frames must be read
ORDER_MAX = 0xFFFF
SIZE_MAX = 0xFFFFFFFF  # of a file, bytes
AGAIN_MAX = 0xFF
ERASE_COUNT_MAX = 0xFFFFFFFF
NO_BLOCK = 0xFFFF
UNKNOWN = 0xFFFF
TRIES_MAX = 0xFF
TWO_HEADS = 16  # a flag of the open record

ERASE_RECORD = Struct("<HBBII")  # magic, version, zero, erase count, zero ... CRC-32
ERASED = Struct("<HBBIII")  # the same with its CRC-32
OPEN_RECORD = Struct("<QIIBBBBBBHIIIHHHHHHHH")
OPENED_WITH = Struct("<QIIBB34xI")  # the first fields of it and its CRC-32
OPEN_COPY = Struct("<QIBBHI")  # base, erase count, head, tries, zero, salt ... CRC-32
HEAD = Struct("<BBHIIH")  # kind, again, length, file, offset, order
ENTRY = Struct("<IHHII")  # address in the block | kind << 24, order, length, file, offset
SEAL = Struct("<HHIHH")  # magic, entries, end of the frames, orders given out, zero ... CRC-32
SEALED = Struct("<HHIHHI")  # the same with its CRC-32
U32 = Struct("<I")
HEADER = Struct("<BBHIIHH")
_OPEN_SEED = MAGIC << 8 | VERSION  # so that another version's records are none


class Kind(IntEnum):
    """The kind of a frame. FFh and 00h are no kinds, so neither blank nor zeroed flash is a frame."""

    DATA = 0x11
    HOLE = 0x22
    NAME = 0x33
    RENAME = 0x44
    REMOVE = 0x55
    BAD = 0x66
    MARK = 0x77


DATA = int(Kind.DATA)  # for the hot paths: to look up a member of an enumeration takes as long as a CRC
HOLE = int(Kind.HOLE)
RENAME = int(Kind.RENAME)
REMOVE = int(Kind.REMOVE)
BAD = int(Kind.BAD)
MARK = int(Kind.MARK)
KINDS = frozenset(int(kind) for kind in Kind)
CLAIMS = frozenset((int(Kind.NAME), int(Kind.RENAME), int(Kind.REMOVE)))


class OpenRecord(NamedTuple):
    """The fields of an open record, in the order of the bytes; the settings as numbers."""

    base: int
    erase_count: int
    erase_count_max: int  # of all blocks, as far as the store knew
    head: int
    tries: int  # blocks that the head opened before with the same base, and left with nothing in them that counts
    choices: int
    flags: int
    unit_bytes: int
    name_bytes: int  # 0: 256
    page_programs_max: int
    block_bytes: int
    page_bytes: int
    seed: int
    block_count: int
    buffer_bytes: int
    reserve_blocks: int
    level_threshold: int
    open_files_max: int
    opened: int = NO_BLOCK  # the block that the first head has open; NO_BLOCK: none
    opened_too: int = NO_BLOCK  # the same of the second head
    behind: int = UNKNOWN  # how far below the base the last frame of the other head is

    @property
    def log_heads(self) -> int:
        return 2 if self.flags & TWO_HEADS else 1


class Seal(NamedTuple):
    """A seal. `end` is the address in the block where the frames end, and `next_order` the order that one more frame
    would have had."""

    entry_count: int
    end: int
    next_order: int
    zero: int = 0


class Frame(NamedTuple):
    """A frame's header; `address` is that of its first byte on the flash."""

    kind: int
    again: int
    length: int
    file: int
    offset: int
    order: int
    address: int


def encode_frame(kind: int, file: int, offset: int, order: int, payload: bytes, salt: int, again: int = 0) -> bytes:
    """The bytes of one frame, `FRAME_BYTES` longer than its payload. `salt` is the CRC of the block's open record."""
    length = len(payload)
    head = HEAD.pack(kind, again, length, file, offset, order)
    check = crc32(head, salt)
    return _whole_frame(length)(head, check & 0xFFFF, payload, crc32(payload, check))


def encode_frames(
    file: int, offset: int, order: int, payloads: Callable[[], Sequence[bytes]], salt: int, step: int
) -> bytes:
    """DATA frames one behind the other, each padded to where the next one starts: every `step` bytes one may."""
    made: list[bytes] = []
    for number, payload in enumerate(payloads(), order):
        frame = encode_frame(DATA, file, offset, number, payload, salt)
        made += (frame, b"\xff" * (-len(frame) % step))
        offset += len(payload)
    return b"".join(made)


@cache
def _whole_frame(length: int) -> Callable[..., bytes]:
    """Packs header, its check, a payload of this length and the CRC-32."""
    return Struct(f"<14sH{length}sI").pack


def decode_header(raw: bytes, address: int, salt: int) -> Frame | None:
    """The header in the first 16 bytes of `raw`, or None when they are no sound header of this block's life."""
    kind, again, length, file, offset, order, check = HEADER.unpack_from(raw)
    if kind not in KINDS or crc32(raw[:14], salt) & 0xFFFF != check:
        return None
    return Frame(kind, again, length, file, offset, order, address)


def payload_is_sound(raw: bytes, length: int, salt: int) -> bool:
    """Whether the CRC-32 of a whole frame in `raw` holds."""
    end = HEADER_BYTES + length
    return bool(crc32(raw[HEADER_BYTES:end], crc32(raw[:14], salt)) == U32.unpack_from(raw, end)[0])


def _erase_record_crc(erase_count: int) -> int:
    return crc32(ERASE_RECORD.pack(MAGIC, VERSION, 0, erase_count, 0))


def encode_erase_record(erase_count: int) -> bytes:
    """16 bytes, programmed right after the erase."""
    body = ERASE_RECORD.pack(MAGIC, VERSION, 0, erase_count, 0)
    return body + U32.pack(_erase_record_crc(erase_count))


def decode_erase_record(raw: bytes) -> tuple[int, int] | None:
    """Format version, whatever it is, and erase count of a sound erase record, or None."""
    magic, version, _, erase_count, _, check = ERASED.unpack_from(raw)
    return (version, erase_count) if magic == MAGIC and crc32(raw[:12]) == check else None


def erase_record_version(raw: bytes) -> int | None:
    """The format version of a sound erase record, whatever it is, or None."""
    found = decode_erase_record(raw)
    return None if found is None else found[0]


def decode_erase_count(raw: bytes) -> int | None:
    """The erase count of a sound erase record of this version, or None."""
    found = decode_erase_record(raw)
    return found[1] if found is not None and found[0] == VERSION else None


def encode_open_record(record: OpenRecord) -> tuple[bytes, int]:
    """Open record and its short copy, and the salt of frames in this life of the block: the open record's CRC-32."""
    body = OPEN_RECORD.pack(*record)
    salt = salt_of(body)
    return with_copy(body, salt, record.base, record.erase_count, record.head, record.tries), salt


def salt_of(body: bytes) -> int:
    """The CRC-32 of an open record without it."""
    return crc32(body, _OPEN_SEED)


def with_copy(body: bytes, salt: int, base: int, erase_count: int, head: int, tries: int) -> bytes:
    """The open record of this body and its short copy."""
    copy = OPEN_COPY.pack(base, erase_count, head, tries, 0, salt)
    return body + U32.pack(salt) + copy + U32.pack(crc32(copy, _OPEN_SEED))


def opened_with(raw: bytes) -> tuple[int, int, int, int, int] | None:
    """Base, erase count, head, tries and CRC-32 of the open record in 56 bytes, or None when that does not hold."""
    base, erase_count, _, head, tries, salt = OPENED_WITH.unpack(raw)
    return (base, erase_count, head, tries, salt) if crc32(raw[: OPEN_RECORD.size], _OPEN_SEED) == salt else None


def decode_open_record(raw: bytes) -> tuple[OpenRecord, int] | None:
    """The open record at the start of `raw` with its CRC, or None."""
    found = opened_with(raw[:OPEN_RECORD_BYTES])
    return None if found is None else (OpenRecord(*OPEN_RECORD.unpack_from(raw)), found[4])


def decode_open_copy(raw: bytes) -> tuple[int, int, int, int, int] | None:
    """Base, erase count, head, tries and salt in the copy at the start of `raw`, or None."""
    if crc32(raw[: OPEN_COPY.size], _OPEN_SEED) != U32.unpack_from(raw, OPEN_COPY.size)[0]:
        return None
    base, erase_count, head, tries, _, salt = OPEN_COPY.unpack_from(raw)
    return base, erase_count, head, tries, salt


def is_discarded(raw: bytes) -> bool:
    """Whether a discard mark says that the block was about to be erased: half of its bytes are zero. A few rotten bits
    can't do that."""
    return raw.count(0) * 2 >= DISCARD_BYTES


def encode_seal(entries: list[bytes], seal: Seal, salt: int) -> bytes:
    """Run entries and seal, to be programmed so that they end with the block."""
    body = b"".join(entries) + SEAL.pack(MAGIC, *seal)
    return body + U32.pack(crc32(body, salt))


def decode_seal(raw: bytes) -> Seal | None:
    """The fields in a seal's 16 bytes. They count only if `seal_is_sound` says so of entries and seal together."""
    magic, entry_count, end, next_order, zero = SEAL.unpack_from(raw)
    return Seal(entry_count, end, next_order, zero) if magic == MAGIC else None


def seal_is_sound(raw: bytes, salt: int) -> bool:
    """Whether the CRC over run entries and seal holds."""
    return bool(seal_check(raw[:-SEAL_BYTES], raw[-SEAL_BYTES:], salt) == U32.unpack_from(raw, len(raw) - 4)[0])


def seal_check(entries: bytes, raw: bytes, salt: int) -> int:
    """The CRC over run entries and a seal's 16 bytes, without the CRC itself."""
    return crc32(raw[:-4], crc32(entries, salt))
