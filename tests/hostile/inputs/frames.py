"""Hostile frames: what they say, where they stand, in which order; checksums are repaired."""

from __future__ import annotations

from random import Random

from simfs.store.format import codec
from simfs.store.format.codec import KINDS, ORDER_MAX, Kind
from tests.hostile.inputs.anatomy import Block, Part, odd

U16, U24, U32 = ((1 << bits) - 1 for bits in (16, 24, 32))
_NAMES = (b"a", b"log", b"", b"\0", b"a\0log", b"log\0a", b"a\0", b"\xff" * 9, b"A", b"/", b"\xc3", b"x" * 60)
NO_FRAME = Part(0, Kind.DATA, 1, 0, 1, b"data")


def opened(blocks: list[Block], random: Random) -> Block:
    return random.choice([block for block in blocks if block.stated] or blocks)


def change_frame(blocks: list[Block], random: Random) -> None:
    block = opened(blocks, random)
    if block.frames:
        at = random.randrange(len(block.frames))
        block.frames[at] = odd_frame(block.frames[at], blocks, random)


def odd_frame(frame: Part, blocks: list[Block], random: Random) -> Part:
    what = random.randrange(7)
    if what == 0:
        return frame._replace(kind=random.choice(sorted(KINDS)))
    if what == 1:
        return frame._replace(file=odd(random, frame.file, U32))
    if what == 2:
        return frame._replace(offset=odd(random, frame.offset, U32))
    if what == 3:
        return frame._replace(order=odd(random, frame.order, random.choice((ORDER_MAX, U24))))
    if what == 4:
        return frame._replace(length=odd(random, len(frame.payload), U16), sound=bool(random.randrange(2)))
    if what == 5:
        return frame._replace(file=random.choice([frame.file, *files(blocks)]))
    return frame._replace(payload=_odd_payload(frame, random))


def files(blocks: list[Block]) -> list[int]:
    return [frame.file for block in blocks for frame in block.frames]


def _odd_payload(frame: Part, random: Random) -> bytes:
    payload = bytearray(frame.payload)
    if frame.kind in codec.CLAIMS and random.randrange(3):
        return random.choice(_NAMES)
    if frame.kind == Kind.HOLE and random.randrange(2):
        return codec.U32.pack(odd(random, frame.offset, U32)) + payload[4:]
    if random.randrange(2):
        return bytes(payload[: random.randrange(len(payload) + 1)])
    if payload:
        payload[random.randrange(len(payload))] = random.randrange(256)
    return bytes(payload)


def bases_of(blocks: list[Block]) -> list[int]:
    return [block.counts_from or 0 for block in blocks]


def shuffle_frames(blocks: list[Block], random: Random) -> None:
    """Frames out of order, twice, gone, or in a block where they do not belong."""
    block, other = opened(blocks, random), opened(blocks, random)
    if not block.frames:
        return
    at = random.randrange(len(block.frames))
    frame = block.frames[at]
    what = random.randrange(4)
    if what == 0:
        del block.frames[at]
    elif what == 1 and other.frames:
        other.frames[random.randrange(len(other.frames))] = frame._replace(at=random.choice(other.frames).at)
    elif what == 2:
        two = random.choice(block.frames)
        block.frames[at] = frame._replace(order=two.order)
    else:
        _append(block, frame, random)


def _append(block: Block, frame: Part, random: Random) -> None:
    """A frame behind the last one, seemingly the next."""
    ends = [(one.at + 20 + len(one.payload), one.order) for one in block.frames]
    ends += [(one.says.stop, one.says.order) for one in block.stated]
    at, order = max(ends, default=(0, 0))
    at += -at % random.choice((1, 8, 64))
    if at + 20 + len(frame.payload) <= len(block.rest):
        block.frames.append(frame._replace(at=at, order=min(order + random.choice((1, 1, 1, 2)), ORDER_MAX)))


def add_frame(blocks: list[Block], random: Random) -> None:
    """A frame that closes a circle: names that go round, blocks that void themselves or each other, files of files."""
    block = opened(blocks, random)
    kind = random.choice(sorted(KINDS))
    numbers = files(blocks) or [0]
    payload = {
        Kind.DATA: b"data",
        Kind.HOLE: codec.U32.pack(odd(random, 10, U32)) + b"x",
        Kind.SKIP: codec.U32.pack(odd(random, random.choice(block.frames or [NO_FRAME]).at, U32)),
        Kind.LEFT: codec.BASE.pack(random.choice(bases_of(blocks))),
    }.get(Kind(kind), b"")
    if kind in codec.CLAIMS:
        payload = random.choice(_NAMES)
    file = random.choice((random.choice(numbers), odd(random, 1, U32), random.randrange(len(blocks))))
    frame = Part(0, kind, file, odd(random, 8, U32), 0, payload)
    _append(block, frame, random)


def circle_of_names(blocks: list[Block], random: Random) -> None:
    """a becomes b, b becomes a, in one place or in two."""
    names = random.sample((b"a", b"log", b"settings", b"B"), 2)
    numbers = files(blocks) or [1]
    for _ in range(random.randrange(1, 4)):
        old, new = names[:: random.choice((1, -1))]
        frame = Part(0, Kind.RENAME, random.choice(numbers), random.randrange(50), 0, new + b"\0" + old)
        _append(opened(blocks, random), frame, random)
