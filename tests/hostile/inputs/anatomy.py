"""Takes a store's image apart into the structures that stand in it, and puts it together again with every checksum
repaired: what is changed in between is wrong only in what it says, so that no CRC hides the code behind it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from random import Random
from typing import NamedTuple
from zlib import crc32

from simfs.store.format import codec
from simfs.store.format.codec import (
    END_BYTES,
    ENTRY,
    ENTRY_BYTES,
    FRAME_BYTES,
    HEADER_BYTES,
    INNER,
    MAGIC,
    NOWHERE,
    SEAL_BYTES,
    U32,
    Kind,
    Seal,
)
from simfs.store.format.runs import Entry
from simfs.store.format.statement import Statement, decode_statement, encode_statement
from tests.support.on_flash import decode_seal, seal_check

_MAGIC_BYTES = MAGIC.to_bytes(2, "little")


class Part(NamedTuple):
    """A frame at byte `at` of its block. `length`: what its header claims, when that is not the payload's."""

    at: int
    kind: int
    file: int
    offset: int
    order: int
    payload: bytes
    length: int | None = None
    sound: bool = True  # False: the CRC-32 at its end is wrong

    def encode(self, salt: int, inner: int = 0) -> bytes:
        length = len(self.payload) if self.length is None else self.length
        head = codec.HEAD.pack(self.kind ^ inner | self.order << 8, length, self.file, self.offset)
        check = crc32(head, salt)
        crc = crc32(self.payload, check) ^ (not self.sound)
        return head + U32.pack(check)[:2] + self.payload + U32.pack(crc)


class Stated(NamedTuple):
    """The frame of a statement at byte `at` of its block, and the frame that it carries within."""

    at: int
    says: Statement
    inner: Part | None = None
    sound: bool = True

    def encode(self, block: int) -> bytes:
        inner = b"" if self.inner is None else self.inner.encode(codec.salt_of(block, self.says.base), INNER)
        raw = encode_statement(block, self.says, inner)
        return raw if self.sound else raw[:-1] + bytes([raw[-1] ^ 1])


@dataclass(slots=True)
class Block:
    """One erase block. `rest` holds the bytes that are no structure, marks among them. `ends`: the numbers in END
    records by their place. `seal_at`: where the seal stands, or would. `base`: from where the block's orders count, if
    no statement tells that."""

    rest: bytes
    stated: list[Stated] = field(default_factory=list)
    ends: dict[int, int] = field(default_factory=dict)
    frames: list[Part] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    seal: Seal | None = None
    seal_at: int = 0
    base: int | None = None

    def copy(self) -> Block:
        return replace(
            self, stated=list(self.stated), ends=dict(self.ends), frames=list(self.frames), entries=list(self.entries)
        )

    @property
    def counts_from(self) -> int | None:
        """The base of its frames."""
        return self.stated[0].says.base if self.stated else self.base


def take_apart(image: bytes, block_bytes: int) -> list[Block]:
    """The blocks of an image of whole blocks."""
    return [
        _block(bytearray(image[at : at + block_bytes]), at // block_bytes) for at in range(0, len(image), block_bytes)
    ]


def put_together(blocks: list[Block]) -> bytes:
    """The image, each structure with sound checksums (but those that are unsound on purpose)."""
    return b"".join(_render(block, number) for number, block in enumerate(blocks))


def repair_sums(blocks: list[Block]) -> None:
    """Let the newest statement say the sums of the blocks as they are."""
    where = [(one.says.number, block, at) for block in blocks for at, one in enumerate(block.stated)]
    if not where:
        return
    _, block, at = max(where, key=lambda one: one[0])
    said = block.stated[at].says
    used = {(said.used_from + more) % len(blocks) for more in range(min(said.used, len(blocks)))} - set(said.named)
    bases = {number: blocks[number].counts_from or 0 for number in used}
    said = replace(
        said,
        base_sum=sum(bases.values()) % (1 << 32),
        place_sum=sum(base * (number + 1) for number, base in bases.items()) % (1 << 32),
    )
    block.stated[at] = block.stated[at]._replace(says=said)


def _block(raw: bytearray, number: int) -> Block:
    """Takes what it understands out of `raw`, and leaves it blank there."""
    block = Block(b"", seal_at=len(raw) - SEAL_BYTES - 2)
    _take_seal(raw, block, number)
    _take_statements(raw, block, number)
    if block.counts_from is not None:
        salt = codec.salt_of(number, block.counts_from)
        for part in _frames_in(bytes(raw), salt):
            block.frames.append(part)
            _wipe(raw, part.at, part.at + FRAME_BYTES + len(part.payload))
    for at in range(len(raw) - END_BYTES + 1):
        found = codec.decode_end(bytes(raw[at : at + END_BYTES]), number)
        if found is not None:
            block.ends[at] = found
            _wipe(raw, at, at + END_BYTES)
    block.rest = bytes(raw)
    return block


def _take_seal(raw: bytearray, block: Block, number: int) -> None:
    at = raw.rfind(_MAGIC_BYTES)
    while at >= 0:
        whole = bytes(raw[at : at + SEAL_BYTES])
        seal = decode_seal(whole) if len(whole) == SEAL_BYTES else None
        if seal is not None:
            listed = 0 if seal.entry_count == codec.UNLISTED else seal.entry_count
            start = at - listed * ENTRY_BYTES
            if start >= 0 and seal_check(bytes(raw[start:at]) + whole, codec.salt_of(number, seal.base)):
                block.seal, block.seal_at, block.base = seal, at, seal.base
                block.entries = list(ENTRY.iter_unpack(raw[start:at]))
                _wipe(raw, start, at + SEAL_BYTES)
                return
        at = raw.rfind(_MAGIC_BYTES, 0, at + 1)


def _take_statements(raw: bytearray, block: Block, number: int) -> None:
    at = raw.find(Kind.STATEMENT)
    while at >= 0:
        said = decode_statement(bytes(raw), number, 0, at)
        if said is not None:
            end = said.stop - 4 if said.inner == NOWHERE else said.inner
            inner = _inner(bytes(raw), said, number)
            if inner is not None or end == said.stop - 4:
                block.stated.append(Stated(at, said, inner))
                _wipe(raw, at, said.stop)
        at = raw.find(Kind.STATEMENT, at + 1)


def _inner(raw: bytes, said: Statement, number: int) -> Part | None:
    if said.inner == NOWHERE:
        return None
    salt = codec.salt_of(number, said.base)
    return _frame_at(raw[: said.stop - 4], said.inner, salt) if raw[said.inner] ^ INNER in codec.KINDS else None


def _frames_in(raw: bytes, salt: int) -> Iterator[Part]:
    at = 0
    while at + FRAME_BYTES <= len(raw):
        part = _frame_at(raw, at, salt) if raw[at] in codec.KINDS else None
        if part is not None:
            yield part
        at += 1 if part is None else FRAME_BYTES + len(part.payload)


def _frame_at(raw: bytes, at: int, salt: int) -> Part | None:
    found = codec.decode_header(raw[at : at + HEADER_BYTES], at, salt)
    if found is None or at + FRAME_BYTES + found.length > len(raw):
        return None
    end = at + FRAME_BYTES + found.length
    if not codec.payload_is_sound(raw[at:end], found.length, salt):
        return None
    return Part(at, found.kind, found.file, found.offset, found.order, raw[at + HEADER_BYTES : end - 4])


def _wipe(raw: bytearray, start: int, end: int) -> None:
    raw[start:end] = b"\xff" * (end - start)


def _render(block: Block, number: int) -> bytes:
    raw = bytearray(block.rest)
    size = len(raw)
    salt = 0 if block.counts_from is None else codec.salt_of(number, block.counts_from)
    structures = [(at, codec.encode_end(number, end)) for at, end in block.ends.items()]
    structures += [(stated.at, stated.encode(number)) for stated in block.stated]
    structures += [(frame.at, frame.encode(salt)) for frame in block.frames]
    for at, encoded in structures:
        encoded = encoded[: max(size - at, 0)]
        raw[at : at + len(encoded)] = encoded
    if block.seal is not None:
        entries = [ENTRY.pack(*entry) for entry in block.entries]
        encoded = codec.encode_seal(entries, block.seal, codec.salt_of(number, block.seal.base))
        encoded = encoded[-(block.seal_at + SEAL_BYTES) :]
        raw[block.seal_at + SEAL_BYTES - len(encoded) : block.seal_at + SEAL_BYTES] = encoded
    return bytes(raw)


def odd(random: Random, old: int, most: int) -> int:
    """A number from 0 to `most` that a careless reader stumbles over."""
    return random.choice(
        (0, 1, most, most - 1, most // 2, most // 2 + 1, old + 1, old - 1, old * 2, old ^ 1 << random.randrange(32),
         random.randrange(most + 1))
    ) % (most + 1)  # fmt: skip
