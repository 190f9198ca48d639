"""The fast codec of the on-flash format: `struct` and CRC-32, nothing else. `FORMAT.md` says what the fields mean;
`declaration.py` declares the same bytes, and the tests hold the two to each other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from enum import IntEnum
from functools import cache
from itertools import accumulate, repeat, starmap
from operator import and_
from struct import Struct
from typing import NamedTuple
from zlib import crc32

VERSION = 4
MAGIC = 0x5F15
HEADER_BYTES = 16
FRAME_BYTES = 20  # header and CRC-32: what a frame costs beyond its payload
ENTRY_BYTES = 16
SEAL_BYTES = 24
END_BYTES = 12
UNLISTED = 0xFFFF  # a seal with this many entries lists none: the frames must be read
ORDER_MAX = (1 << 20) - 1
LENGTH_MAX = 0xFFFF  # of a run, bytes
SIZE_MAX = 0xFFFFFFFF  # of a file, bytes
ERASE_COUNT_MAX = 0xFFFFFFFF
NO_BLOCK = 0xFFFF
NOWHERE = 0xFFFFFFFF  # in place of an address in a block
NUMBER_MAX = 1 << 63  # beyond this sequence number no store ever gets

HEAD = Struct("<IHII")  # kind | order << 8, length, file, offset
HEADER = Struct("<IHIIH")  # the same with its check
CHECKED_BYTES = HEAD.size
ENTRY = Struct("<QII")  # address in the block | kind << 24 | order << 28 | length << 48, file, offset
SEAL = Struct("<HHIIQ")  # magic, entries, end of the frames, orders given out, base ... CRC-32
SEALED = Struct("<HHIIQI")  # the same with its CRC-32
END = Struct("<Q")  # sequence number of the statement ... CRC-32
U32 = Struct("<I")
BASE = Struct("<Q")  # the payload of a LEFT frame
_SALT = Struct("<HQ")  # block, base
_SEED = MAGIC << 8 | VERSION  # so that another version's structures are none


class Kind(IntEnum):
    """The kind of a frame. FFh and 00h are no kinds, so neither blank nor zeroed flash is a frame."""

    DATA = 0x11
    HOLE = 0x22
    NAME = 0x33
    RENAME = 0x44
    REMOVE = 0x55
    BAD = 0x66
    LEFT = 0x77
    SKIP = 0x88
    STATEMENT = 0x99


DATA = int(Kind.DATA)  # for the hot paths: to look up a member of an enumeration takes as long as a CRC
HOLE = int(Kind.HOLE)
RENAME = int(Kind.RENAME)
REMOVE = int(Kind.REMOVE)
BAD = int(Kind.BAD)
LEFT = int(Kind.LEFT)
SKIP = int(Kind.SKIP)
STATEMENT = int(Kind.STATEMENT)
KINDS = frozenset(int(kind) for kind in Kind)
INNER = 0xF0  # turned round in the kind of a frame within a statement, which counts only where that one is sound
TELLING = frozenset((BAD, LEFT, STATEMENT))  # these tell of other blocks
CLAIMS = frozenset((int(Kind.NAME), int(Kind.RENAME), int(Kind.REMOVE)))


class Seal(NamedTuple):
    """A seal. `end` is the address in the block where the frames end, `next_order` the order that one more frame would
    have had, `base` the sequence number from which the block's orders count."""

    entry_count: int
    end: int
    next_order: int
    base: int


class Frame(NamedTuple):
    """A frame's header; `address` is that of its first byte on the flash."""

    kind: int
    length: int
    file: int
    offset: int
    order: int
    address: int


def salt_of(block: int, base: int) -> int:
    """What seeds the CRC of everything in this life of a block but its statements, so that nothing of an earlier life,
    or of another block, passes."""
    return crc32(_SALT.pack(block, base), _SEED)


def salts_of(blocks: Iterable[int], bases: Iterable[int]) -> list[int]:
    """The salts of many blocks with their bases."""
    return list(map(crc32, map(_SALT.pack, blocks, bases), repeat(_SEED)))


def statement_salt(block: int) -> int:
    """The same for a block's statements, which say its base."""
    return salt_of(block, NUMBER_MAX)


def statement_salts(blocks: Iterable[int]) -> list[int]:
    """The same of many blocks."""
    return salts_of(blocks, repeat(NUMBER_MAX))


def encode_frame(kind: int, file: int, offset: int, order: int, payload: bytes, salt: int) -> bytes:
    """The bytes of one frame, `FRAME_BYTES` longer than its payload. Of an inner one the kind has INNER turned
    round."""
    length = len(payload)
    head = HEAD.pack(kind | order << 8, length, file, offset)
    check = crc32(head, salt)
    return _whole_frame(length)(head, check & 0xFFFF, payload, crc32(payload, check))


def encode_frames(
    file: int, offset: int, order: int, payloads: Callable[[], Sequence[bytes]], salt: int, step: int
) -> bytes:
    """DATA frames one behind the other, each padded to where the next one starts: every `step` bytes one may."""
    made = payloads()
    lengths = list(map(len, made))
    orders = range(DATA | order << 8, DATA | order + len(made) << 8, 1 << 8)
    heads = list(map(HEAD.pack, orders, lengths, repeat(file), accumulate(lengths, initial=offset)))
    checks = list(map(crc32, heads, repeat(salt)))
    fields = zip(heads, map(and_, checks, repeat(0xFFFF)), made, map(crc32, made, checks), strict=True)
    if step == 1 and lengths.count(length := max(lengths, default=0)) == len(lengths):
        return b"".join(starmap(_whole_frame(length), fields))
    return b"".join(
        _whole_frame(length)(*of_frame).ljust(FRAME_BYTES + length + -(FRAME_BYTES + length) % step, b"\xff")
        for length, of_frame in zip(lengths, fields, strict=True)
    )


@cache
def _whole_frame(length: int) -> Callable[..., bytes]:
    """Packs header, its check, a payload of this length and the CRC-32."""
    return Struct(f"<14sH{length}sI").pack


def decode_header(raw: bytes, address: int, salt: int) -> Frame | None:
    """The header in the first 16 bytes of `raw`, or None when they are no sound header of this block's life."""
    first, length, file, offset, check = HEADER.unpack_from(raw)
    kind = first & 0xFF
    if kind not in KINDS:
        kind ^= INNER
        if kind not in KINDS:
            return None
    if crc32(raw[:CHECKED_BYTES], salt) & 0xFFFF != check:
        return None
    return Frame(kind, length, file, offset, first >> 8, address)


def payload_is_sound(raw: bytes, length: int, salt: int) -> bool:
    """Whether the CRC-32 of a whole frame in `raw` holds."""
    end = HEADER_BYTES + length
    return bool(crc32(raw[HEADER_BYTES:end], crc32(raw[:CHECKED_BYTES], salt)) == U32.unpack_from(raw, end)[0])


def encode_seal(entries: list[bytes], seal: Seal, salt: int) -> bytes:
    """Run entries and seal, one behind the other."""
    body = b"".join(entries) + SEAL.pack(MAGIC, *seal)
    return body + U32.pack(crc32(body, salt))


def encode_end(block: int, number: int) -> bytes:
    """The END record of the statement with this sequence number: it is whole."""
    body = END.pack(number)
    return body + U32.pack(crc32(body, statement_salt(block)))


def decode_end(raw: bytes, block: int) -> int | None:
    """The sequence number in an END record's 12 bytes, or None."""
    if len(raw) < END_BYTES or crc32(raw[: END.size], statement_salt(block)) != U32.unpack_from(raw, END.size)[0]:
        return None
    return int(END.unpack_from(raw)[0])
