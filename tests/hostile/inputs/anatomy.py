"""Takes a store's image apart into the structures that stand in it, and puts it together again with every checksum
repaired: what is changed in between is wrong only in what it says, so that no CRC hides the code behind it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from random import Random
from typing import NamedTuple
from zlib import crc32

from simfs.store.format import codec
from simfs.store.format.codec import (
    ENTRY,
    ENTRY_BYTES,
    ERASE_RECORD_BYTES,
    FRAME_BYTES,
    HEADER_BYTES,
    OPEN_RECORD_BYTES,
    RECORD_BYTES,
    SEAL_BYTES,
    U32,
    OpenRecord,
    Seal,
)
from simfs.store.format.declaration import COPY_AT, DISCARD_AT, OPEN_AT

Entry = tuple[int, int, int, int, int]  # as `codec.ENTRY` has them


class Part(NamedTuple):
    """A frame at byte `at` of its block. `length`: what its header claims, when that is not the payload's."""

    at: int
    kind: int
    again: int
    file: int
    offset: int
    order: int
    payload: bytes
    length: int | None = None
    sound: bool = True  # False: the CRC-32 at its end is wrong

    def encode(self, salt: int) -> bytes:
        length = len(self.payload) if self.length is None else self.length
        head = codec.HEAD.pack(self.kind, self.again, length, self.file, self.offset, self.order)
        check = crc32(head, salt)
        crc = crc32(self.payload, check) ^ (not self.sound)
        return head + U32.pack(check)[:2] + self.payload + U32.pack(crc)


@dataclass(slots=True)
class Block:
    """One erase block. `rest` holds the bytes that are no structure, fence and discard mark among them; None stands
    for a structure that is not there. `copied`: the bytes of the open record's copy, when that says something else."""

    rest: bytes
    erase_count: int | None = None
    version: int = codec.VERSION
    record: OpenRecord | None = None
    record_sound: bool = True
    copied: bytes | None = None
    frames: list[Part] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    seal: Seal | None = None

    def copy(self) -> Block:
        return replace(self, frames=list(self.frames), entries=list(self.entries))


def take_apart(image: bytes, block_bytes: int) -> list[Block]:
    """The blocks of an image of whole blocks."""
    return [_block(bytearray(image[at : at + block_bytes])) for at in range(0, len(image), block_bytes)]


def put_together(blocks: list[Block]) -> bytes:
    """The image, each structure with sound checksums (but those that are unsound on purpose)."""
    return b"".join(map(_render, blocks))


def _block(raw: bytearray) -> Block:
    """Takes what it understands out of `raw`, and leaves it blank there."""
    block = Block(b"", codec.decode_erase_count(bytes(raw[:ERASE_RECORD_BYTES])))
    if block.erase_count is not None:
        _wipe(raw, 0, ERASE_RECORD_BYTES)
    opened = codec.decode_open_record(bytes(raw[OPEN_AT:COPY_AT]))
    if opened is not None:
        block.record, salt = opened
        copied = bytes(raw[COPY_AT:DISCARD_AT])
        block.copied = None if copied == copy_of(block.record) else copied
        _wipe(raw, OPEN_AT, DISCARD_AT)
        _take_seal(raw, block, salt)
        _take_frames(raw, block, salt)
    block.rest = bytes(raw)
    return block


def copy_of(record: OpenRecord) -> bytes:
    """The short copy that stands behind an open record."""
    return codec.encode_open_record(record)[0][OPEN_RECORD_BYTES:]


def _take_seal(raw: bytearray, block: Block, salt: int) -> None:
    end = len(raw)
    seal = codec.decode_seal(bytes(raw[-SEAL_BYTES:]))
    if seal is None:
        return
    listed = 0 if seal.entry_count == codec.UNLISTED else seal.entry_count
    start = end - SEAL_BYTES - listed * ENTRY_BYTES
    if start >= RECORD_BYTES and codec.seal_is_sound(bytes(raw[start:end]), salt):
        block.seal = seal
        block.entries = list(ENTRY.iter_unpack(raw[start : end - SEAL_BYTES]))
        _wipe(raw, start, end)


def _take_frames(raw: bytearray, block: Block, salt: int) -> None:
    at, whole = RECORD_BYTES, bytes(raw)
    while at + FRAME_BYTES <= len(raw):
        found = codec.decode_header(whole[at : at + HEADER_BYTES], at, salt) if whole[at] in codec.KINDS else None
        if found is None or at + FRAME_BYTES + found.length > len(raw):
            at += 1
            continue
        end = at + FRAME_BYTES + found.length
        payload = whole[at + HEADER_BYTES : end - 4]
        sound = codec.payload_is_sound(whole[at:end], found.length, salt)
        if not sound:
            at += 1
            continue
        block.frames.append(Part(at, found.kind, found.again, found.file, found.offset, found.order, payload))
        _wipe(raw, at, end)
        at = end


def _wipe(raw: bytearray, start: int, end: int) -> None:
    raw[start:end] = b"\xff" * (end - start)


def _render(block: Block) -> bytes:
    raw = bytearray(block.rest)
    size, salt = len(raw), 0
    if block.erase_count is not None:
        head = codec.ERASE_RECORD.pack(codec.MAGIC, block.version, 0, block.erase_count, 0)
        raw[:ERASE_RECORD_BYTES] = head + U32.pack(crc32(head))
    if block.record is not None:
        encoded, salt = codec.encode_open_record(block.record)
        raw[OPEN_AT:DISCARD_AT] = encoded[:OPEN_RECORD_BYTES] + (block.copied or copy_of(block.record))
        raw[OPEN_AT] ^= not block.record_sound
    for frame in block.frames:
        encoded = frame.encode(salt)[: max(size - frame.at, 0)]
        raw[frame.at : frame.at + len(encoded)] = encoded
    if block.seal is not None:
        entries = [ENTRY.pack(*entry) for entry in block.entries]
        encoded = codec.encode_seal(entries, block.seal, salt)[-size:]
        raw[size - len(encoded) :] = encoded
    return bytes(raw)


def odd(random: Random, old: int, most: int) -> int:
    """A number from 0 to `most` that a careless reader stumbles over."""
    return random.choice(
        (0, 1, most, most - 1, most // 2, most // 2 + 1, old + 1, old - 1, old * 2, old ^ 1 << random.randrange(32),
         random.randrange(most + 1))
    ) % (most + 1)  # fmt: skip
