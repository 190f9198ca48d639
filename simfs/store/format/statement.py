"""STATEMENT: the one structural record of the log. The newest one says everything that a mount needs to know about how
the blocks belong together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from struct import Struct, calcsize
from typing import NamedTuple
from zlib import crc32

from simfs.store.format.codec import (
    CHECKED_BYTES,
    END_BYTES,
    FRAME_BYTES,
    HEADER_BYTES,
    MAGIC,
    NO_BLOCK,
    NOWHERE,
    NUMBER_MAX,
    STATEMENT,
    Frame,
    decode_header,
    encode_frame,
    payload_is_sound,
    statement_salt,
)

_FIXED = Struct("<QIIIBB BBBBHIIIHHHHH HIHI HH HQ II")
_LIFE = "IH10xQ4xI4xBBxB"  # of a frame's header, and of the fixed part base, erase count, head, left, flags
_OTHER = Struct("<HIIQ")  # follows where the store has two heads
_LEFT = Struct("<HQI")
_ERASE_RECORD = Struct("<HBBIII")
_LEAST, _LEAST_OF_TWO = (_FIXED.size, 1), (_FIXED.size + _OTHER.size, 2)  # bytes of a payload, and heads
TWO_HEADS = 16  # a flag of the settings


class Settings(NamedTuple):
    """The settings of a store as numbers, in the order of the bytes."""

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

    @property
    def log_heads(self) -> int:
        return 2 if self.flags & TWO_HEADS else 1


class Other(NamedTuple):
    """The open block of the other head. Frames in it from `end` on never count, and the head goes on at `go`; both are
    NOWHERE where it simply goes on. `last`: the sequence number of its last frame."""

    block: int = NO_BLOCK
    end: int = NOWHERE
    go: int = NOWHERE
    last: int = 0


NO_OTHER = Other()

Life = tuple[int, int, int, int]
"""What the statement at the start of a block says of that block alone: its sequence number, base, erase count and log
head."""


class Left(NamedTuple):
    """A block in the life with this base was left without a seal: what stands in it before `end` counts."""

    block: int
    base: int
    end: int


@dataclass(slots=True)
class Statement:
    """What a statement says; nobody changes it (to have it frozen would take three times as long to make one).
    Addresses are within the block.

    base             from which the orders of all frames in this life of the block count
    order            of this statement: its sequence number is base + order
    at               where its place begins in the block; `address` where its frame does
    end              what stands from here up to this place never counts; NOWHERE: all of it does
    erase_count      of this block; erase_count_max of any block
    head             the log head that the block serves
    next, after      dead blocks: the log goes on in the first of these that can be erased; NO_BLOCK: none is named yet
    used_from, used  the blocks that were ever used, so many from that one on; the others hold nothing
    before           the block that had the newest statement before this block's first, and its base
    base_sum, place_sum  of the bases of all blocks that hold anything; of the bases times block + 1; modulo 2^32
    left             blocks left without a seal
    inner            where the frame in doubt stands that this statement carries whole; NOWHERE: it carries none
    """

    settings: Settings
    base: int
    order: int
    erase_count: int
    erase_count_max: int
    head: int
    next: int = NO_BLOCK
    next_erase_count: int = 0
    after: int = NO_BLOCK
    after_erase_count: int = 0
    used_from: int = 0
    used: int = 0
    before: int = NO_BLOCK
    before_base: int = 0
    base_sum: int = 0
    place_sum: int = 0
    end: int = NOWHERE
    other: Other = NO_OTHER
    left: tuple[Left, ...] = ()
    at: int = 0
    address: int = 0
    inner: int = NOWHERE
    stop: int = 0  # where its frame ends

    @property
    def number(self) -> int:
        return self.base + self.order

    @property
    def named(self) -> tuple[int, ...]:
        """The dead blocks that it names."""
        return tuple(block for block in (self.next, self.after) if block != NO_BLOCK)


def statement_bytes(heads: int, left: int, inner_bytes: int) -> int:
    """The size of a statement with so many unsealed blocks and an inner frame of so many bytes (0: none)."""
    return FRAME_BYTES + _FIXED.size + (_OTHER.size if heads == 2 else 0) + _LEFT.size * left + inner_bytes


def encode_statement(block: int, statement: Statement, inner: bytes = b"") -> bytes:
    """The frame of a statement in this block."""
    said = statement
    payload = _FIXED.pack(
        said.base, said.end, said.erase_count, said.erase_count_max, said.head, len(said.left), *said.settings,
        said.next, said.next_erase_count, said.after, said.after_erase_count, said.used_from, said.used,
        said.before, said.before_base, said.base_sum, said.place_sum,
    )  # fmt: skip
    if said.settings.log_heads == 2:
        payload += _OTHER.pack(*said.other)
    payload += b"".join(_LEFT.pack(*left) for left in said.left) + inner
    return encode_frame(STATEMENT, 0, 0, said.order, payload, statement_salt(block))


def decode_statement(raw: bytes, block: int, at: int, address: int) -> Statement | None:
    """The statement whose frame begins at `address` in a block's bytes (`at`: where its place begins), or None."""
    found = statement_frame(raw, block, address)
    if found is None:
        return None
    payload = raw[address + HEADER_BYTES : address + HEADER_BYTES + found.length]
    base, end, count, most, head, left_count, *fields = _FIXED.unpack_from(payload)
    settings = Settings(*fields[:13])
    following, following_count, after, after_count, used_from, used, before, before_base, base_sum, place_sum = fields[
        13:
    ]
    stands = _FIXED.size
    other = Other()
    if settings.log_heads == 2:
        other = Other(*_OTHER.unpack_from(payload, stands)) if len(payload) >= stands + _OTHER.size else other
        stands += _OTHER.size
    inner = stands + _LEFT.size * left_count
    if inner > len(payload) or base + found.order >= NUMBER_MAX or head >= settings.log_heads:
        return None
    left = tuple(Left(*_LEFT.unpack_from(payload, stands + _LEFT.size * one)) for one in range(left_count))
    return Statement(
        settings, base, found.order, count, most, head, following, following_count, after, after_count, used_from, used,
        before, before_base, base_sum, place_sum, end, other, left, at,
        address, address + HEADER_BYTES + inner if inner < len(payload) else NOWHERE,
        address + FRAME_BYTES + found.length,
    )  # fmt: skip


def decode_lives(raw: bytes, size: int, address: int, salts: Sequence[int]) -> list[Life | None]:
    """The same of the statements whose frames begin at `address` in each `size` bytes of `raw`, which are the starts of
    blocks with these salts: sound in just the cases in which `decode_statement` finds one. Only those as long as the
    first one; None in place of the others."""
    found: list[Life | None] = [None] * len(salts)
    first = raw[address::size].find(STATEMENT) * size + address
    length = int.from_bytes(raw[first + 4 : first + 6], "little") if first >= address else 0
    if length < _FIXED.size or address + FRAME_BYTES + length > size:
        return found
    parts, fields = _life_structs(address, length, size)
    checked, checks, bodies, sums = zip(*parts.iter_unpack(raw), strict=True)
    crcs = list(map(crc32, checked, salts))
    wholes = map(crc32, bodies, crcs)
    for at, (whole, check_sum, crc, check, life) in enumerate(
        zip(wholes, sums, crcs, checks, fields.iter_unpack(raw), strict=True)
    ):
        if whole == check_sum and crc & 0xFFFF == check:
            first, own_length, base, erase_count, head, left_count, flags = life
            least, heads = _LEAST_OF_TWO if flags & TWO_HEADS else _LEAST
            number = base + (first >> 8)
            if (
                first & 0xFF == STATEMENT and own_length == length >= least + _LEFT.size * left_count
                and number < NUMBER_MAX and head < heads
            ):  # fmt: skip
                found[at] = number, base, erase_count, head
    return found


@lru_cache(64)
def _life_structs(address: int, length: int, size: int) -> tuple[Struct, Struct]:
    """Of a frame with a payload of this length at this address in `size` bytes: what is checked, and the numbers."""
    behind = size - address - FRAME_BYTES - length
    parts = Struct(f"<{address}x{CHECKED_BYTES}sH{length}sI{behind}x")
    return parts, Struct(f"<{address}x{_LIFE}{size - address - calcsize('<' + _LIFE)}x")


def peek_settings(raw: bytes, address: int) -> Settings | None:
    """The settings in a statement whose frame begins at `address`, unchecked; None when there is no room for one."""
    begins = address + HEADER_BYTES
    return Settings(*_FIXED.unpack_from(raw, begins)[6:19]) if begins + _FIXED.size <= len(raw) else None


def statement_frame(raw: bytes, block: int, address: int) -> Frame | None:
    """The sound frame of a statement at `address` in a block's bytes, or None."""
    head = raw[address : address + HEADER_BYTES]
    if len(head) < HEADER_BYTES or head[0] != STATEMENT:
        return None
    salt = statement_salt(block)
    frame = decode_header(head, address, salt)
    if frame is None or frame.length < _FIXED.size or address + FRAME_BYTES + frame.length > len(raw):
        return None
    whole = raw[address : address + FRAME_BYTES + frame.length]
    return frame if payload_is_sound(whole, frame.length, salt) else None


def first_statement_places(unit_bytes: int) -> tuple[int, int]:
    """Where the frame of a block's first statement stands without and with page packing."""
    mark_bytes = unit_bytes if unit_bytes == 1 else 2 * unit_bytes
    return 4 * mark_bytes + -(-END_BYTES // unit_bytes) * unit_bytes, 0


def first_statement_bytes(unit_bytes: int) -> int:
    """So many bytes at the start of a block hold its first statement, unless that tells of blocks or carries a
    frame."""
    return max(first_statement_places(unit_bytes)) + statement_bytes(2, 0, 0)


def any_statement(raw: bytes, block: int, page_bytes: int, unit_bytes: int) -> Statement | None:
    """Any statement in a block's bytes, of a store whose settings are not known."""
    within, _ = first_statement_places(unit_bytes)
    for at in range(0, len(raw), page_bytes):
        for address in (at + within, at):
            found = decode_statement(raw, block, at, address)
            if found is not None:
                return found
    return None


def version_of(raw: bytes) -> int | None:
    """The format version of a block of an earlier version, which began with an erase record: magic, version, zero,
    erase count, zero, CRC-32."""
    magic, version, _, _, _, check = _ERASE_RECORD.unpack_from(raw) if len(raw) >= 16 else (0, 0, 0, 0, 0, 0)
    return version if magic == MAGIC and crc32(raw[:12]) == check else None
