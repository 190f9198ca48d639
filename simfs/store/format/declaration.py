"""The on-flash format, declared once. `codec.py` is the fast codec of the same bytes; the tests hold the two to each
other. Everything is little-endian; `FORMAT.md` says what the fields mean, and `declared_statement.py` declares what a
STATEMENT says and where its parts stand.

An erase block, with byte packing and program units of one byte:

    0       1     13     14        15     16                                 size-26-16*e    size-26  size-2    size-1
    +-------+-----+------+---------+------+-----------+--------------+-------+---------------+--------+---------+------+
    | FENCE | END | SURE | DOUBTED | NEXT | STATEMENT | frames,      | blank | e run entries | seal   | SEALING | LEFT |
    | blank |     |      |         |      |           | packed       |       | of 16 bytes   |        |         |      |
    +-------+-----+------+---------+------+-----------+--------------+-------+---------------+--------+---------+------+

Frame, 20 bytes and its payload of n bytes. `check` is the low half of the CRC-32 of bytes 0..13, seeded with a salt;
the CRC-32 at the end goes on from the whole of it over the payload. Of an order 20 bits are used. Of a frame within a
statement the kind has its upper half turned round: 11h is E1h there:

    0      1       4         6      10       14      16          16+n     20+n
    +------+-------+---------+------+--------+-------+-----------+--------+
    | kind | order | length  | file | offset | check | payload   | CRC-32 |
    | u8   | u24   | n, u16  | u32  | u32    | u16   | n bytes   | u32    |
    +------+-------+---------+------+--------+-------+-----------+--------+

END record, 12 bytes:

    0        8        12
    +--------+--------+
    | number | CRC-32 |
    | u64    | u32    |     CRC-32 over bytes 0..7, seeded with a salt
    +--------+--------+

Run entry, 16 bytes, and seal, 24 bytes; the CRC-32 over all entries and the seal, seeded with a salt. `kind` is one
half of the kind's byte:

    0         3      3.5     6        8      12       16     0       2         4     8            12     20       24
    +---------+------+-------+--------+------+--------+      +-------+---------+-----+------------+------+--------+
    | address | kind | order | length | file | offset |      | magic | entries | end | next order | base | CRC-32 |
    | u24     | u4   | u20   | u16    | u32  | u32    |      | u16   | u16     | u32 | u32        | u64  | u32    |
    +---------+------+-------+--------+------+--------+      +-------+---------+-----+------------+------+--------+

Salts are CRC-32 of ten bytes, seeded with 5F1504h (magic and version): the block, u16, and a number, u64. For frames,
run entries and seals that is the block's base, for statements and their END records 2^63.

Marks are zeros; any trace of one counts.

An example: the start of block 0 of a new store with the default settings on 64 blocks of 4096 bytes (what follows is
blank), and the first frame in that block: the bytes "20.1 m" of file 5 from offset 12 on.

    fence          ff
    end            01 00 00 00 00 00 00 00 35 c2 00 63
    sure           00
    doubted, next  ff ff
    statement      99 00 00 00 54 00 00 00 00 00 00 00 00 00 f5 12
                   01 00 00 00 00 00 00 00 ff ff ff ff 01 00 00 00
                   01 00 00 00 00 00
                   02 20 01 30 00 00 00 10 00 00 00 01 00 00 00 00
                   00 00 40 00 00 01 03 00 08 00 08 00
                   01 00 00 00 00 00 02 00 00 00 00 00 00 00 03 00
                   ff ff 00 00 00 00 00 00 00 00 01 00 00 00 01 00
                   00 00 6c 8c dd 11
    frame          11 01 00 00 06 00 05 00 00 00 0c 00 00 00 76 49
                   32 30 2e 31 20 6d a2 73 08 89

Nothing here is for the hot path: parsing a frame with it takes some hundred times as long as with the codec.
"""

from __future__ import annotations

from typing import Any
from zlib import crc32

from construct import (
    Array,
    BitsInteger,
    BitStruct,
    ByteSwapped,
    Checksum,
    Const,
    Construct,
    ConstructError,
    Enum,
    Error,
    FixedSized,
    GreedyBytes,
    Int8ul,
    Int16ul,
    Int24ul,
    Int32ul,
    Int64ul,
    NullTerminated,
    RawCopy,
    Struct,
    Switch,
    Terminated,
    this,
)

from simfs.store.format.declared_statement import END_BYTES, STATEMENT

VERSION = 4
MAGIC = 0x5F15
FRAME_BYTES = 20  # beyond the payload
ENTRY_BYTES = 16
SEAL_BYTES = 24
UNLISTED = 0xFFFF
KINDS = {
    "DATA": 0x11, "HOLE": 0x22, "NAME": 0x33, "RENAME": 0x44, "REMOVE": 0x55, "BAD": 0x66, "LEFT": 0x77, "SKIP": 0x88,
    "STATEMENT": 0x99,
}  # fmt: skip
INNER_KINDS = {kind: number ^ 0xF0 for kind, number in KINDS.items()}

SALT = Struct("block" / Int16ul, "number" / Int64ul)
STATEMENT_NUMBER = 1 << 63  # in the salt of statements and END records

PAYLOADS: dict[str, Construct] = {
    "DATA": Struct("bytes" / GreedyBytes),
    "HOLE": Struct("zeros_from" / Int32ul, "bytes" / GreedyBytes),
    "NAME": Struct("name" / GreedyBytes),
    "RENAME": Struct("name" / NullTerminated(GreedyBytes), "old_name" / GreedyBytes),
    "REMOVE": Struct("name" / GreedyBytes),
    "BAD": Struct(Terminated),
    "LEFT": Struct("base" / Int64ul, Terminated),
    "SKIP": Struct("void_from" / Int32ul, Terminated),
    "STATEMENT": STATEMENT,
}


def _frame(kinds: dict[str, int]) -> Construct:
    """A frame, in a context that knows `salt`."""
    return Struct(
        "head" / RawCopy(Struct(
            "kind" / Enum(Int8ul, **kinds),
            "order" / Int24ul,
            "length" / Int16ul,
            "file" / Int32ul,
            "offset" / Int32ul,
        )),
        "check" / Checksum(
            Int16ul, lambda covered: crc32(*covered) & 0xFFFF, lambda at: (at.head.data, at._params.salt)
        ),
        "payload" / RawCopy(FixedSized(this.head.value.length, Switch(this.head.value.kind, PAYLOADS, Error))),
        "crc" / Checksum(
            Int32ul,
            lambda covered: crc32(*covered),
            lambda at: (at.payload.data, crc32(at.head.data, at._params.salt)),
        ),
    )  # fmt: skip


FRAME = _frame(KINDS)
INNER_FRAME = _frame(INNER_KINDS)

END = Struct(  # in a context that knows `salt`
    "body" / RawCopy(Struct("number" / Int64ul)),
    "crc" / Checksum(Int32ul, lambda covered: crc32(*covered), lambda at: (at.body.data, at._params.salt)),
)

RUN_ENTRY = Struct(
    "address" / Int24ul,
    "first" / ByteSwapped(BitStruct(
        "order" / BitsInteger(20),
        "kind" / Enum(BitsInteger(4), **{kind: number & 0xF for kind, number in KINDS.items()}),
    )),
    "length" / Int16ul,
    "file" / Int32ul,
    "offset" / Int32ul,
)  # fmt: skip

SEAL = Struct(
    "magic" / Const(MAGIC, Int16ul),
    "entry_count" / Int16ul,  # UNLISTED: the runs are not listed
    "end" / Int32ul,
    "next_order" / Int32ul,
    "base" / Int64ul,
)

BLOCK_TAIL = Struct(  # in a context that knows `listed`, how many entries there are, and `salt`
    "body" / RawCopy(Struct("entries" / Array(this._params.listed, RUN_ENTRY), "seal" / SEAL)),
    "crc" / Checksum(Int32ul, lambda covered: crc32(*covered), lambda at: (at.body.data, at._params.salt)),
)


def salt_of(block: int, base: int) -> int:
    """The salt of a block's frames, run entries and seal in the life that began with this base."""
    return crc32(SALT.build({"block": block, "number": base}), MAGIC << 8 | VERSION)


def statement_salt(block: int) -> int:
    """The salt of a block's statements and END records."""
    return salt_of(block, STATEMENT_NUMBER)


def _parsed(declared: Construct, raw: bytes, **known: int) -> Any | None:
    try:
        return declared.parse(raw, **known)
    except ConstructError:
        return None


def parse_frame(raw: bytes, salt: int) -> Any | None:
    """The frame at the start of `raw`; None when no sound one with this salt stands there."""
    return _parsed(FRAME, raw, salt=salt)


def parse_inner_frame(raw: bytes, salt: int) -> Any | None:
    """The same of a frame within a statement."""
    return _parsed(INNER_FRAME, raw, salt=salt)


def parse_end(raw: bytes, block: int) -> int | None:
    """The number in the END record at the start of `raw`; None when no sound one of this block stands there."""
    found = _parsed(END, raw[:END_BYTES], salt=statement_salt(block))
    return found and int(found.body.value.number)


def parse_tail(raw: bytes, block: int) -> Any | None:
    """Run entries and the seal with which `raw` ends; None when that is no sound seal of this block."""
    seal = _parsed(SEAL, raw[-SEAL_BYTES:])
    if seal is None:
        return None
    listed = 0 if seal.entry_count == UNLISTED else seal.entry_count
    start = len(raw) - SEAL_BYTES - ENTRY_BYTES * listed
    if start < 0:
        return None
    found = _parsed(BLOCK_TAIL, raw[start:], salt=salt_of(block, seal.base), listed=listed)
    return found and found.body.value
