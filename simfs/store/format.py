"""The on-flash format, declared once. `codec.py` is the fast codec of the same bytes; the tests hold the two to each
other. Everything is little-endian; what the fields mean stands in DEVELOPERS.md.

An erase block:

    0        16            64                                   end        size-16*e-16      size-16   size
    +--------+-------------+---------------------------------+---------+------------------+---------+
    | erase  | open        | frames, packed                  | blank   | e run entries    | seal    |
    | record | record      |                                 |         | of 16 bytes      |         |
    +--------+-------------+---------------------------------+---------+------------------+---------+

Erase record, 16 bytes:

    0       2         3      4             8       12       16
    +-------+---------+------+-------------+-------+--------+
    | magic | version | zero | erase count | zero  | CRC-32 |
    | u16   | u8      | u8   | u32         | u32   | u32    |     CRC-32 over bytes 0..11
    +-------+---------+------+-------------+-------+--------+

Open record, 48 bytes. Its CRC-32 (over bytes 0..43, going on from the erase record's) is the salt of all that follows:

    0        8      9       10        11        12      13     14           16      20     24      28
    +--------+------+-------+---------+---------+-------+------+------------+-------+------+-------+
    | base   | head | heads | cleaner | choices | flags | unit | programs a | block | page | block |
    | u64    | u8   | u8    | u8      | u8      | u8    | u8   | page, u16  | bytes | bytes| count |
    +--------+------+-------+---------+---------+-------+------+------------+-------+------+-------+
    28     32           34             36              38                40               42     44       48
    +------+------------+--------------+---------------+-----------------+----------------+------+--------+
    | seed | name bytes | buffer bytes | reserve blocks| level threshold | open files max | next | CRC-32 |
    | u32  | u16        | u16          | u16           | u16             | u16            | u16  | u32    |
    +------+------------+--------------+---------------+-----------------+----------------+------+--------+

Frame, 20 bytes and its payload of n bytes. `check` is the low half of the CRC-32 of bytes 0..13, seeded with the salt;
the CRC-32 at the end goes on from the whole of it over the payload:

    0      1       2         4      8        12      14      16          16+n     20+n
    +------+-------+---------+------+--------+-------+-------+-----------+--------+
    | kind | again | length  | file | offset | order | check | payload   | CRC-32 |
    | u8   | u8    | n, u16  | u32  | u32    | u16   | u16   | n bytes   | u32    |
    +------+-------+---------+------+--------+-------+-------+-----------+--------+

Run entry and seal, 16 bytes each; the CRC-32 over all entries and the seal, seeded with the salt:

    0         3      4       6        8      12       16     0       2         4     8      10           12       16
    +---------+------+-------+--------+------+--------+      +-------+---------+-----+------+------------+--------+
    | address | kind | order | length | file | offset |      | magic | entries | end | next | next order | CRC-32 |
    | u24     | u8   | u16   | u16    | u32  | u32    |      | u16   | u16     | u32 | u16  | u16        | u32    |
    +---------+------+-------+--------+------+--------+      +-------+---------+-----+------+------------+--------+

An example: the start of block 0 of a new store with the default settings on 64 blocks of 4096 bytes, and a frame in
that block: the bytes "20.1 m" of file 5 from offset 12 on, tenth frame of the block.

    erase record   15 5f 01 00 00 00 00 00 00 00 00 00 5f 1e ea eb
    open record    00 00 00 00 00 00 00 00 00 01 01 02 00 01 00 00
                   00 10 00 00 00 01 00 00 40 00 00 00 00 00 00 00
                   30 00 00 01 02 00 08 00 08 00 01 00 dd ee f9 37
    frame          11 00 06 00 05 00 00 00 0c 00 00 00 09 00 8c 9c
                   32 30 2e 31 20 6d ba e8 5a 24

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

BLANK = b"\xff"
BLOCK_HEADER_BYTES = 64
TAIL_BYTES = 16  # a run entry, or the seal

ERASE_RECORD = Struct(
    "body" / RawCopy(Struct(
        "magic" / Const(0x5F15, Int16ul),
        "version" / Const(1, Int8ul),
        "zero" / Const(0, Int8ul),
        "erase_count" / Int32ul,
        "zeros" / Const(0, Int32ul),
    )),
    "crc" / Checksum(Int32ul, crc32, this.body.data),
)  # fmt: skip


def _seed(erase_count: int) -> int:
    """The CRC of the erase record before an open record, which the open record's goes on from."""
    return int(ERASE_RECORD.parse(ERASE_RECORD.build({"body": {"value": {"erase_count": erase_count}}})).crc)


OPEN_RECORD = Struct(  # in a context that knows `erase_count`
    "body" / RawCopy(Struct(
        "base" / Int64ul,
        "head" / Int8ul,
        "log_heads" / Int8ul,
        "cleaner" / Int8ul,
        "choices" / Int8ul,
        "flags" / Int8ul,
        "unit_bytes" / Int8ul,
        "page_programs_max" / Int16ul,
        "block_bytes" / Int32ul,
        "page_bytes" / Int32ul,
        "block_count" / Int32ul,
        "seed" / Int32ul,
        "name_bytes" / Int16ul,
        "buffer_bytes" / Int16ul,
        "reserve_blocks" / Int16ul,
        "level_threshold" / Int16ul,
        "open_files_max" / Int16ul,
        "next" / Int16ul,  # FFFFh: none known
    )),
    "crc" / Checksum(
        Int32ul, lambda covered: crc32(*covered), lambda at: (at.body.data, _seed(at._params.erase_count))
    ),
)  # fmt: skip

KIND = Enum(Int8ul, DATA=0x11, HOLE=0x22, NAME=0x33, RENAME=0x44, REMOVE=0x55, ERASE=0x66, MARK=0x77)

PAYLOADS: dict[str, Construct] = {
    "DATA": Struct("bytes" / GreedyBytes),
    "HOLE": Struct("zeros_from" / Int32ul, "bytes" / GreedyBytes),
    "NAME": Struct("name" / GreedyBytes),
    "RENAME": Struct("name" / NullTerminated(GreedyBytes), "old_name" / GreedyBytes),
    "REMOVE": Struct("name" / GreedyBytes),
    "ERASE": Struct(Terminated),
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
    "next" / Int16ul,  # FFFFh: none known
    "next_order" / Int16ul,
)

BLOCK_TAIL = Struct(  # in a context that knows `listed`, how many entries there are, and `salt`
    "body" / RawCopy(Struct("entries" / Array(this._params.listed, RUN_ENTRY), "seal" / SEAL)),
    "crc" / Checksum(Int32ul, lambda covered: crc32(*covered), lambda at: (at.body.data, at._params.salt)),
)


def parse_header(raw: bytes) -> tuple[int, Any, int] | None:
    """Erase count, open record and salt in a block's first 64 bytes; None when one of the two records is not sound."""
    try:
        erase_count = ERASE_RECORD.parse(raw[:16]).body.value.erase_count
        opened = OPEN_RECORD.parse(raw[16:BLOCK_HEADER_BYTES], erase_count=erase_count)
    except ConstructError:
        return None
    return erase_count, opened.body.value, opened.crc


def parse_frame(raw: bytes, salt: int) -> Any | None:
    """The frame at the start of `raw`; None when no sound one of this life of the block stands there."""
    try:
        return FRAME.parse(raw, salt=salt)
    except ConstructError:
        return None


def parse_tail(raw: bytes, salt: int) -> Any | None:
    """Run entries and seal at the end of a block's bytes; None when it bears no sound seal."""
    try:
        count = SEAL.parse(raw[-TAIL_BYTES:]).entry_count
        listed = 0 if count == UNLISTED else count
        return BLOCK_TAIL.parse(raw[-TAIL_BYTES * (listed + 1) :], salt=salt, listed=listed).body.value
    except ConstructError:
        return None


def dump_block(raw: bytes) -> list[str]:
    """What stands in the bytes of one erase block, a line each with its address in hex; for people. Trusts nothing:
    what is no sound structure is shown as its first bytes."""
    if not raw.strip(BLANK):
        return ["0000 blank"]
    header = parse_header(raw)
    if header is None:
        return _without_header(raw)
    erase_count, opened, salt = header
    lines = [f"0000 erase record: count {erase_count}", f"0010 open record: base {opened.base}, head {opened.head}"]
    tail = parse_tail(raw, salt)
    stop = len(raw) - (TAIL_BYTES * (len(tail.entries) + 1) if tail else 0)
    lines += _frames(raw[:stop], salt)
    if tail is not None:
        for number, entry in enumerate(tail.entries):
            lines.append(
                f"{stop + TAIL_BYTES * number:04x} run entry: {entry.kind} file {entry.file} offset {entry.offset} "
                f"order {entry.order} length {entry.length} at {entry.address:04x}"
            )
        lines.append(f"{len(raw) - TAIL_BYTES:04x} seal: {tail.seal.entry_count} entries, end {tail.seal.end:04x}")
    return lines


def _without_header(raw: bytes) -> list[str]:
    try:
        erase_count = ERASE_RECORD.parse(raw[:16]).body.value.erase_count
    except ConstructError:
        return [f"0000 no sound header: {raw[:16].hex(' ')}"]
    rest = "blank" if not raw[16:].strip(BLANK) else f"no open record: {raw[16:32].hex(' ')}"
    return [f"0000 erase record: count {erase_count}", f"0010 {rest}"]


def _frames(raw: bytes, salt: int) -> list[str]:
    """Sound frames wherever they stand, and what lies between them."""
    lines = []
    at = gap = BLOCK_HEADER_BYTES
    while at < len(raw):
        frame = parse_frame(raw[at:], salt) if raw[at] in KIND.decmapping else None
        if frame is None:
            at += 1
            continue
        lines += _gap(raw, gap, at)
        head = frame.head.value
        again = f" again {head.again}" if head.again else ""
        lines.append(
            f"{at:04x} {head.kind} file {head.file} offset {head.offset} order {head.order}{again}: "
            f"{head.length} bytes {frame.payload.data[:12]!r}"
        )
        at = gap = at + 20 + head.length
    return lines + _gap(raw, gap, len(raw))


def _gap(raw: bytes, start: int, end: int) -> list[str]:
    between = raw[start:end]
    if not between:
        return []
    what = f"no frame: {between[:12].hex(' ')}" if between.strip(BLANK) else "blank"
    return [f"{start:04x} {end - start} bytes {what}"]
