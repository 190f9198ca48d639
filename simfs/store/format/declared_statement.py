"""What a STATEMENT says, declared once, and where the parts of its place stand. `declaration.py` declares the frame
around it. Everything is little-endian; `FORMAT.md` says what the fields mean.

The payload begins with 84 bytes, of which 22 to 49 are the settings:

    0      8     12      16      20   21      22      23    24     25       26       28      32      36     40
    +------+-----+-------+-------+----+-------+-------+-----+------+--------+--------+-------+-------+------+
    | base | end | erase | most  |head| blocks|choices|flags| unit | name   | pro-   | block | page  | seed |
    | u64  | u32 | count | of any| u8 | left, | u8    | u8  | bytes| bytes, | grams  | bytes | bytes | u32  |
    |      |     | u32   | u32   |    | u8    |       |     | u8   | u8, 0: | a page,| u32   | u32   |      |
    |      |     |       |       |    |       |       |     |      | 256    | u16    |       |       |      |
    +------+-----+-------+-------+----+-------+-------+-----+------+--------+--------+-------+-------+------+
    40      42       44       46       48     50     52       56      58       62      64     66       68
    +-------+--------+--------+--------+------+------+--------+-------+--------+-------+------+--------+
    | block | buffer | reserve| level  | files| next | its    | after | its    | used  | used | before |
    | count | bytes  | blocks | thres- | open | u16  | erase  | u16   | erase  | from  | u16  | u16    |
    | u16   | u16    | u16    | hold,  | u16  |      | count  |       | count  | u16   |      |        |
    |       |        |        | u16    |      |      | u32    |       | u32    |       |      |        |
    +-------+--------+--------+--------+------+------+--------+-------+--------+-------+------+--------+
    68       76      80      84
    +--------+-------+-------+
    | base of| sum of| place |
    | before | bases | sum   |
    | u64    | u32   | u32   |
    +--------+-------+-------+

With two heads the other head's open block follows, 18 bytes. Then come so many blocks left without a seal, 14 bytes
each, and at last the inner frame, if there is one:

    0       2     6      10     18      0       2      10    14
    +-------+-----+------+------+       +-------+------+-----+
    | block | end | go on| last |       | block | base | end |
    | u16   | u32 | u32  | u64  |       | u16   | u64  | u32 |
    +-------+-----+------+------+       +-------+------+-----+

A place, from the start of a page. With byte packing, all in whole program units:

    +-------+-----+------+---------+------+-----------+----------
    | FENCE | END | SURE | DOUBTED | NEXT | STATEMENT | frames
    +-------+-----+------+---------+------+-----------+----------

With page packing, each `|` at the start of a page:

    | FENCE ... | STATEMENT ... | END ... SURE, DOUBTED, NEXT | frames

FENCE, SURE, DOUBTED and NEXT are marks: a byte of zeros each, or two program units where these are larger. At the
start of a block FENCE stays blank; with page packing there is no page for it.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from construct import (
    Array,
    ConstructError,
    GreedyBytes,
    If,
    Int8ul,
    Int16ul,
    Int32ul,
    Int64ul,
    Struct,
    this,
)

NO_BLOCK = 0xFFFF
NOWHERE = 0xFFFFFFFF
TWO_HEADS, PAGE_PACKING = 16, 1  # flags of the settings
END_BYTES = 12

SETTINGS = Struct(
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
)

OTHER = Struct(
    "block" / Int16ul,  # NO_BLOCK: none
    "end" / Int32ul,  # NOWHERE: the head simply goes on
    "go" / Int32ul,
    "last" / Int64ul,
)

LEFT = Struct(
    "block" / Int16ul,
    "base" / Int64ul,
    "end" / Int32ul,
)

STATEMENT = Struct(
    "base" / Int64ul,
    "end" / Int32ul,  # NOWHERE: everything before this place counts
    "erase_count" / Int32ul,
    "erase_count_max" / Int32ul,
    "head" / Int8ul,
    "left_count" / Int8ul,
    "settings" / SETTINGS,
    "next" / Int16ul,  # NO_BLOCK: none is named
    "next_erase_count" / Int32ul,
    "after" / Int16ul,
    "after_erase_count" / Int32ul,
    "used_from" / Int16ul,
    "used" / Int16ul,
    "before" / Int16ul,
    "before_base" / Int64ul,
    "base_sum" / Int32ul,
    "place_sum" / Int32ul,
    "other" / If(lambda at: at.settings.flags & TWO_HEADS, OTHER),
    "left" / Array(this.left_count, LEFT),
    "inner" / GreedyBytes,  # a whole frame, or nothing
)


class Place(NamedTuple):
    """Where the parts of a place stand, as addresses in the block. `fence` is None where there is no room for one."""

    fence: int | None
    statement: int
    end: int
    sure: int
    doubted: int
    next: int
    frames: int


def mark_bytes(unit_bytes: int) -> int:
    """The size of a mark."""
    return 1 if unit_bytes == 1 else 2 * unit_bytes


def place_around(settings: Any, statement: int, length: int) -> Place:
    """The place of the statement whose frame, of this length, begins at address `statement`."""
    unit, page = settings.unit_bytes, settings.page_bytes
    mark, record = mark_bytes(unit), -(-END_BYTES // unit) * unit
    if settings.flags & PAGE_PACKING:
        fence = statement - page if statement else None
        end = -(-(statement + length) // page) * page
        frames = end + page
        sure = frames - 3 * mark
    else:
        frames = -(-(statement + length) // unit) * unit
        sure = statement - 3 * mark
        end = sure - record
        fence = end - mark
    return Place(fence, statement, end, sure, sure + mark, sure + 2 * mark, frames)


def marks_at_end(settings: Any) -> tuple[int, int]:
    """Where SEALING and LEFT stand at a block's end. The seal ends where SEALING begins."""
    step = settings.page_bytes if settings.flags & PAGE_PACKING else mark_bytes(settings.unit_bytes)
    return settings.block_bytes - 2 * step, settings.block_bytes - step


def parse_statement(payload: bytes) -> Any | None:
    """What the payload of a statement says; None when it is too short for that."""
    try:
        return STATEMENT.parse(payload)
    except ConstructError:
        return None
