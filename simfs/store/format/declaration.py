"""The on-flash format, declared once. `codec.py` is the fast codec of the same bytes; the tests hold the two to each
other. Everything is little-endian; `FORMAT.md` says what the fields mean.

An erase block:

    0        16      32       88       112       128                     end     size-16*(e+1)   size-16  size
    +--------+-------+--------+--------+---------+-----------------------+-------+---------------+--------+
    | erase  | fence | open   | short  | discard | frames, packed        | blank | e run entries | seal   |
    | record |       | record | copy   | mark    |                       |       | of 16 bytes   |        |
    +--------+-------+--------+--------+---------+-----------------------+-------+---------------+--------+

Erase record, 16 bytes:

    0       2         3      4             8       12       16
    +-------+---------+------+-------------+-------+--------+
    | magic | version | zero | erase count | zero  | CRC-32 |
    | u16   | u8      | u8   | u32         | u32   | u32    |     CRC-32 over bytes 0..11
    +-------+---------+------+-------------+-------+--------+

Open record, 56 bytes. Its CRC-32, over bytes 0..51 and seeded with 5F1503h (magic and version), is the salt of frames,
run entries and seal:

    0      8             12          16     17      18        19      20     21           22           24
    +------+-------------+-----------+------+-------+---------+-------+------+------------+------------+
    | base | erase count | highest   | head | tries | choices | flags | unit | name bytes | programs a |
    | u64  | u32         | count u32 | u8   | u8    | u8      | u8    | u8   | u8, 0: 256 | page, u16  |
    +------+-------------+-----------+------+-------+---------+-------+------+------------+------------+
    24      28      32     36      38       40        42      44      46      48      50       52       56
    +-------+-------+------+-------+--------+---------+-------+-------+-------+-------+--------+--------+
    | block | page  | seed | block | buffer | reserve | level | files | open, | open, | behind | CRC-32 |
    | bytes | bytes |      | count | bytes  | blocks  |       | open  | head 0| head 1|        |        |
    | u32   | u32   | u32  | u16   | u16    | u16     | u16   | u16   | u16   | u16   | u16    | u32    |
    +-------+-------+------+-------+--------+---------+-------+-------+-------+-------+--------+--------+

Short copy, 24 bytes, with the open record's CRC-32 as salt; its own over bytes 0..19, seeded with 5F1503h:

    0      8             12     13      14     16     20       24
    +------+-------------+------+-------+------+------+--------+
    | base | erase count | head | tries | zero | salt | CRC-32 |
    | u64  | u32         | u8   | u8    | u16  | u32  | u32    |
    +------+-------------+------+-------+------+------+--------+

Frame, 20 bytes and its payload of n bytes. `check` is the low half of the CRC-32 of bytes 0..13, seeded with the salt;
the CRC-32 at the end goes on from the whole of it over the payload:

    0      1       2         4      8        12      14      16          16+n     20+n
    +------+-------+---------+------+--------+-------+-------+-----------+--------+
    | kind | again | length  | file | offset | order | check | payload   | CRC-32 |
    | u8   | u8    | n, u16  | u32  | u32    | u16   | u16   | n bytes   | u32    |
    +------+-------+---------+------+--------+-------+-------+-----------+--------+

Run entry and seal, 16 bytes each; the CRC-32 over all entries and the seal, seeded with the salt:

    0         3      4       6        8      12       16     0       2         4     8            10     12       16
    +---------+------+-------+--------+------+--------+      +-------+---------+-----+------------+------+--------+
    | address | kind | order | length | file | offset |      | magic | entries | end | next order | zero | CRC-32 |
    | u24     | u8   | u16   | u16    | u32  | u32    |      | u16   | u16     | u32 | u16        | u16  | u32    |
    +---------+------+-------+--------+------+--------+      +-------+---------+-----+------------+------+--------+

Fence and discard mark: 16 zeros. Of a discard mark eight will do, wherever they stand among its bytes.

An example: the start of block 0 of a new store with the default settings on 64 blocks of 4096 bytes (what follows the
short copy is blank up to the frames), and a frame in that block: the bytes "20.1 m" of file 5 from offset 12 on, tenth
frame of the block.

    erase record   15 5f 03 00 00 00 00 00 00 00 00 00 62 ce 1f ef
    fence          00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00
    open record    00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00
                   00 00 02 20 01 30 00 00 00 10 00 00 00 01 00 00
                   00 00 00 00 40 00 00 01 02 00 08 00 08 00 00 00
                   ff ff ff ff 22 67 7e 8c
    short copy     00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00
                   22 67 7e 8c 84 c9 f4 fd
    frame          11 00 06 00 05 00 00 00 0c 00 00 00 09 00 8a 24
                   32 30 2e 31 20 6d 92 5e 15 c1

Nothing here is for the hot path: parsing a frame with it takes some hundred times as long as with the codec.
"""

from __future__ import annotations

from typing import Any
from zlib import crc32

from construct import (
    Array,
    Checksum,
    Const,
    Construct,
    ConstructError,
    Enum,
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

BLOCK_HEADER_BYTES = 128
FENCE_AT, OPEN_AT, COPY_AT, DISCARD_AT = 16, 32, 88, 112
ENTRY_BYTES = 16  # of a run entry, and of the seal
FENCE = bytes(16)
NO_BLOCK = UNKNOWN = 0xFFFF
VERSION = 3
OPEN_SEED = 0x5F15 << 8 | VERSION

ERASE_RECORD = Struct(
    "body" / RawCopy(Struct(
        "magic" / Const(0x5F15, Int16ul),
        "version" / Const(VERSION, Int8ul),
        "zero" / Const(0, Int8ul),
        "erase_count" / Int32ul,
        "zeros" / Const(0, Int32ul),
    )),
    "crc" / Checksum(Int32ul, crc32, this.body.data),
)  # fmt: skip


OPEN_RECORD = Struct(
    "body" / RawCopy(Struct(
        "base" / Int64ul,
        "erase_count" / Int32ul,
        "erase_count_max" / Int32ul,
        "head" / Int8ul,
        "tries" / Int8ul,
        "choices" / Int8ul,
        "flags" / Int8ul,
        "unit_bytes" / Int8ul,
        "name_bytes" / Int8ul,  # 0: 256
        "page_programs_max" / Int16ul,
        "block_bytes" / Int32ul,
        "page_bytes" / Int32ul,
        "seed" / Int32ul,
        "block_count" / Int16ul,
        "buffer_bytes" / Int16ul,
        "reserve_blocks" / Int16ul,
        "level_threshold" / Int16ul,
        "open_files_max" / Int16ul,
        "opened" / Int16ul,  # NO_BLOCK: none
        "opened_too" / Int16ul,
        "behind" / Int16ul,  # UNKNOWN: no one knows
    )),
    "crc" / Checksum(Int32ul, lambda body: crc32(body, OPEN_SEED), this.body.data),
)  # fmt: skip

OPEN_COPY = Struct(
    "body" / RawCopy(Struct(
        "base" / Int64ul,
        "erase_count" / Int32ul,
        "head" / Int8ul,
        "tries" / Int8ul,
        "zero" / Int16ul,
        "salt" / Int32ul,
    )),
    "crc" / Checksum(Int32ul, lambda body: crc32(body, OPEN_SEED), this.body.data),
)  # fmt: skip

KIND = Enum(Int8ul, DATA=0x11, HOLE=0x22, NAME=0x33, RENAME=0x44, REMOVE=0x55, BAD=0x66, MARK=0x77)

PAYLOADS: dict[str, Construct] = {
    "DATA": Struct("bytes" / GreedyBytes),
    "HOLE": Struct("zeros_from" / Int32ul, "bytes" / GreedyBytes),
    "NAME": Struct("name" / GreedyBytes),
    "RENAME": Struct("name" / NullTerminated(GreedyBytes), "old_name" / GreedyBytes),
    "REMOVE": Struct("name" / GreedyBytes),
    "BAD": Struct(Terminated),
    "MARK": Struct(Terminated),
}

FRAME = Struct(  # in a context that knows `salt`
    "head" / RawCopy(Struct(
        "kind" / KIND,
        "again" / Int8ul,
        "length" / Int16ul,
        "file" / Int32ul,
        "offset" / Int32ul,
        "order" / Int16ul,
    )),
    "check" / Checksum(Int16ul, lambda covered: crc32(*covered) & 0xFFFF, lambda at: (at.head.data, at._params.salt)),
    "payload" / RawCopy(FixedSized(this.head.value.length, Switch(this.head.value.kind, PAYLOADS))),
    "crc" / Checksum(
        Int32ul,
        lambda covered: crc32(*covered),
        lambda at: (at.payload.data, crc32(at.head.data, at._params.salt)),
    ),
)  # fmt: skip

RUN_ENTRY = Struct(
    "address" / Int24ul,
    "kind" / KIND,
    "order" / Int16ul,
    "length" / Int16ul,
    "file" / Int32ul,
    "offset" / Int32ul,
)

UNLISTED = 0xFFFF

SEAL = Struct(
    "magic" / Const(0x5F15, Int16ul),
    "entry_count" / Int16ul,  # UNLISTED: the runs are not listed
    "end" / Int32ul,
    "next_order" / Int16ul,
    "zero" / Int16ul,
)

BLOCK_TAIL = Struct(  # in a context that knows `listed`, how many entries there are, and `salt`
    "body" / RawCopy(Struct("entries" / Array(this._params.listed, RUN_ENTRY), "seal" / SEAL)),
    "crc" / Checksum(Int32ul, lambda covered: crc32(*covered), lambda at: (at.body.data, at._params.salt)),
)


def _parsed(declared: Construct, raw: bytes) -> Any | None:
    try:
        return declared.parse(raw)
    except ConstructError:
        return None


def parse_erase_record(raw: bytes) -> Any | None:
    """The erase record of a block's bytes; None when it is not sound."""
    found = _parsed(ERASE_RECORD, raw)
    return found and found.body.value


def parse_open_record(raw: bytes) -> tuple[Any, int] | None:
    """The open record of a block's bytes, and its CRC-32; None when it is not sound."""
    found = _parsed(OPEN_RECORD, raw[OPEN_AT:])
    return found and (found.body.value, found.crc)


def parse_open_copy(raw: bytes) -> Any | None:
    """The open record's short copy in a block's bytes; None when it is not sound."""
    found = _parsed(OPEN_COPY, raw[COPY_AT:])
    return found and found.body.value


def parse_frame(raw: bytes, salt: int) -> Any | None:
    """The frame at the start of `raw`; None when no sound one of this life of the block stands there."""
    try:
        return FRAME.parse(raw, salt=salt)
    except ConstructError:
        return None


def is_fenced(raw: bytes) -> bool:
    """Whether a whole fence stands in a block's bytes before the open record."""
    return raw[FENCE_AT:OPEN_AT] == FENCE


def is_discarded(raw: bytes) -> bool:
    """Whether a discard mark stands in a block's bytes, or enough of one that a cut tore."""
    return raw[DISCARD_AT:BLOCK_HEADER_BYTES].count(0) * 2 >= BLOCK_HEADER_BYTES - DISCARD_AT


def parse_tail(raw: bytes, salt: int) -> Any | None:
    """Run entries and seal at the end of a block's bytes; None when it bears no sound seal."""
    try:
        count = SEAL.parse(raw[-ENTRY_BYTES:]).entry_count
        listed = 0 if count == UNLISTED else count
        return BLOCK_TAIL.parse(raw[-ENTRY_BYTES * (listed + 1) :], salt=salt, listed=listed).body.value
    except ConstructError:
        return None
