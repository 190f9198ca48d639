"""Hostile images: random, truncated, and sound ones with a few things changed, checksums repaired."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from struct import calcsize

from simfs.store.format import codec
from simfs.store.format.codec import AGAIN_MAX, KINDS, ORDER_MAX, UNLISTED, Kind, OpenRecord, Seal
from simfs.store.format.declaration import DISCARD_AT, FENCE_AT
from tests.hostile.inputs.anatomy import Block, Part, copy_of, odd, put_together, take_apart
from tests.hostile.inputs.bases import SHAPES, Base, bases
from tests.hostile.judge import judge_image
from tests.hostile.tally import Tally

U16, U32 = 0xFFFF, 0xFFFF_FFFF
_RECORD_MOST = [(1 << 8 * calcsize(sign)) - 1 for sign in codec.OPEN_RECORD.format.strip("<")]
_POINTING = [OpenRecord._fields.index(field) for field in ("base", "head", "opened", "opened_too")]
_NAMES = (b"a", b"log", b"", b"\0", b"a\0log", b"log\0a", b"a\0", b"\xff" * 9, b"A", b"/", b"\xc3", b"x" * 60)

Change = Callable[[list[Block], Random], None]


def run_images(cases: int, seed: int) -> Tally:
    """Judge so many hostile images. About half of them have all checksums repaired."""
    tally = Tally()
    for number in range(cases):
        base, crafted = _drawn(Random(f"{seed} {number}"))
        outcome, fault = judge_image(base, crafted)
        tally.note(outcome, fault and f"run_images: hostile_image(Random('{seed} {number}')): {fault}")
    return tally


def hostile_image(random: Random) -> Base:
    """One image: structure-aware, damaged, random, truncated."""
    return _drawn(random)[0]


def _drawn(random: Random) -> tuple[Base, bool]:
    """One image, and whether any checksum of it was repaired."""
    base = random.choice(bases())
    sort = random.randrange(20)
    if sort < 10:
        return changed(base, random), True
    if sort < 15:
        return Base(base.shape, damaged(base.image, random)), False
    if sort < 16:
        return Base(base.shape, random.randbytes(len(base.image))), False
    if sort < 18:
        return truncated(base, random), False
    both = changed(base, random)
    return Base(both.shape, damaged(both.image, random)), True


def changed(base: Base, random: Random) -> Base:
    """A few structures say something else; all checksums are sound."""
    blocks = take_apart(base.image, SHAPES[base.shape].block_bytes)
    change_some(blocks, random)
    return Base(base.shape, put_together(blocks))


def change_some(blocks: list[Block], random: Random) -> None:
    """One to five changes."""
    for _ in range(random.choice((1, 1, 2, 3, 5))):
        random.choice(_CHANGES)(blocks, random)


def damaged(image: bytes, random: Random) -> bytes:
    """Flipped bits, runs of random, zeroed, erased, moved bytes: checksums are not repaired."""
    found = bytearray(image)
    for _ in range(random.choice((1, 1, 2, 5))):
        start = random.randrange(len(found))
        length = random.choice((1, 1, 4, 20, 64, 512))
        length = min(length, len(found) - start)
        source = random.randrange(len(found) - length + 1)
        found[start : start + length] = random.choice(
            (
                bytes([found[start] ^ 1 << random.randrange(8)]) + found[start + 1 : start + length],
                random.randbytes(length),
                bytes(length),
                b"\xff" * length,
                found[source : source + length],
            )
        )
    return bytes(found)


def truncated(base: Base, random: Random) -> Base:
    """Less than the whole image, or bytes of it blank as where a reader stopped early."""
    size, block = len(base.image), SHAPES[base.shape].block_bytes
    if random.randrange(2):
        kept = random.randrange(size)
        return Base(base.shape, base.image[:kept] + b"\xff" * (size - kept))
    return Base(base.shape, base.image[: random.randrange(1, size // block) * block])


# -- changes


def _opened(blocks: list[Block], random: Random) -> Block:
    return random.choice([block for block in blocks if block.record is not None] or blocks)


def _change_frame(blocks: list[Block], random: Random) -> None:
    block = _opened(blocks, random)
    if block.frames:
        at = random.randrange(len(block.frames))
        block.frames[at] = _odd_frame(block.frames[at], blocks, random)


def _odd_frame(frame: Part, blocks: list[Block], random: Random) -> Part:
    what = random.randrange(8)
    if what == 0:
        return frame._replace(kind=random.choice(sorted(KINDS)))
    if what == 1:
        return frame._replace(file=odd(random, frame.file, U32))
    if what == 2:
        return frame._replace(offset=odd(random, frame.offset, U32))
    if what == 3:
        return frame._replace(order=odd(random, frame.order, ORDER_MAX))
    if what == 4:
        return frame._replace(again=odd(random, frame.again, AGAIN_MAX))
    if what == 5:
        return frame._replace(length=odd(random, len(frame.payload), U16), sound=bool(random.randrange(2)))
    if what == 6:
        return frame._replace(file=random.choice([frame.file, *_files(blocks)]))
    return frame._replace(payload=_odd_payload(frame, random))


def _files(blocks: list[Block]) -> list[int]:
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


def _shuffle_frames(blocks: list[Block], random: Random) -> None:
    """Frames out of order, twice, gone, or in a block where they do not belong."""
    block, other = _opened(blocks, random), _opened(blocks, random)
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
        block.frames[at] = frame._replace(order=two.order, again=two.again)
    else:
        _append(block, frame, random)


def _append(block: Block, frame: Part, random: Random) -> None:
    """A frame behind the last one, seemingly the next."""
    last = block.frames[-1] if block.frames else None
    at = codec.RECORD_BYTES if last is None else last.at + 20 + len(last.payload)
    order = 0 if last is None else min(last.order + 1, ORDER_MAX)
    if at + 20 + len(frame.payload) <= len(block.rest):
        block.frames.append(frame._replace(at=at, order=order, again=random.choice((0, 0, 1, 5))))


def _add_frame(blocks: list[Block], random: Random) -> None:
    """A frame that closes a circle: names that go round, blocks that announce each other's erase, files of files."""
    block = _opened(blocks, random)
    kind = random.choice(sorted(KINDS))
    numbers = _files(blocks) or [0]
    payload = {Kind.DATA: b"data", Kind.HOLE: codec.U32.pack(odd(random, 10, U32)) + b"x"}.get(Kind(kind), b"")
    if kind in codec.CLAIMS:
        payload = random.choice(_NAMES)
    file = random.choice((random.choice(numbers), odd(random, 1, U32), random.randrange(len(blocks))))
    frame = Part(0, kind, 0, file, odd(random, 8, U32), 0, payload)
    _append(block, frame, random)


def _circle_of_names(blocks: list[Block], random: Random) -> None:
    """a becomes b, b becomes a, in one place or in two."""
    names = random.sample((b"a", b"log", b"settings", b"B"), 2)
    numbers = _files(blocks) or [1]
    for _ in range(random.randrange(1, 4)):
        old, new = names[:: random.choice((1, -1))]
        frame = Part(0, Kind.RENAME, 0, random.choice(numbers), random.randrange(50), 0, new + b"\0" + old)
        _append(_opened(blocks, random), frame, random)


def _change_record(blocks: list[Block], random: Random) -> None:
    block = _opened(blocks, random)
    if block.record is None:
        return
    values = list(block.record)
    at = random.choice((*_POINTING, *_POINTING, random.randrange(len(values))))
    values[at] = odd(random, values[at], _RECORD_MOST[at])
    if at == 0 and random.randrange(2):
        values[0] = random.choice([other.record.base for other in blocks if other.record is not None])
    if at in _POINTING[2:] and random.randrange(2):
        values[at] = random.randrange(len(blocks))
    changed = OpenRecord(*values)
    if not random.randrange(4):
        block.copied, block.record_sound = copy_of(changed), bool(random.randrange(2))
        return
    for other in blocks if random.randrange(4) == 0 else [block]:
        if other.record is not None:
            kept = other.record
            other.record = changed._replace(base=kept.base, head=kept.head, erase_count=kept.erase_count)
    block.record = changed


def _change_erase_record(blocks: list[Block], random: Random) -> None:
    block = random.choice(blocks)
    block.erase_count = random.choice((None, 0, U32, odd(random, block.erase_count or 0, U32)))
    if not random.randrange(8):
        block.version = random.randrange(256)


def _change_seal(blocks: list[Block], random: Random) -> None:
    sealed = [block for block in blocks if block.seal is not None]
    if not sealed:
        return
    block = random.choice(sealed)
    seal = block.seal
    assert seal is not None
    what = random.randrange(6)
    if what == 0:
        block.seal = seal._replace(entry_count=random.choice((UNLISTED, 0, odd(random, seal.entry_count, U16))))
    elif what == 1:
        block.seal = seal._replace(end=odd(random, seal.end, U32))
    elif what == 2:
        block.seal = seal._replace(zero=odd(random, 1, U16))
    elif what == 3:
        block.seal = seal._replace(next_order=odd(random, seal.next_order, U16))
    elif what == 4:
        block.seal, block.entries = None, []
    elif block.entries:
        block.entries = block.entries + [random.choice(block.entries)] * random.randrange(3)
        block.seal = seal._replace(entry_count=len(block.entries))


def _change_entry(blocks: list[Block], random: Random) -> None:
    """A run entry that points elsewhere: at another run, at the seal, at itself, behind the block."""
    listed = [block for block in blocks if block.entries]
    if not listed:
        return
    block = random.choice(listed)
    at = random.randrange(len(block.entries))
    place, order, length, file, offset = block.entries[at]
    what = random.randrange(6)
    if what == 0:
        size = len(block.rest)
        address = random.choice((0, codec.RECORD_BYTES, size - 16, size - 1, size, 0xFFFFFF, random.randrange(size)))
        place = place & 0xFF000000 | address
    elif what == 1:
        place = place & 0xFFFFFF | random.choice((*sorted(KINDS), 0, 0xFF)) << 24
    elif what == 2:
        order = odd(random, order, U16)
    elif what == 3:
        length = odd(random, length, U16)
    elif what == 4:
        file = random.choice((odd(random, file, U32), *_files(blocks)))
    else:
        offset = odd(random, offset, U32)
    block.entries[at] = (place, order, length, file, offset)
    if not random.randrange(4):
        random.shuffle(block.entries)


def _seal_unsealed(blocks: list[Block], random: Random) -> None:
    """A seal with invented runs on a block that had none."""
    block = _opened(blocks, random)
    if block.record is None or block.seal is not None:
        return
    entries = [
        (frame.at | frame.kind << 24, frame.order, len(frame.payload), frame.file, frame.offset)
        for frame in block.frames[: random.randrange(6)]
    ]
    block.entries = entries
    block.seal = Seal(len(entries), odd(random, 200, 1024), odd(random, 9, U16))


def _move_block(blocks: list[Block], random: Random) -> None:
    """A block twice, blank, swapped with another, zeroed."""
    at, other = random.randrange(len(blocks)), random.randrange(len(blocks))
    what = random.randrange(4)
    size = len(blocks[at].rest)
    if what == 0:
        blocks[at] = blocks[other].copy()
    elif what == 1:
        blocks[at] = Block(b"\xff" * size)
    elif what == 2:
        blocks[at], blocks[other] = blocks[other], blocks[at]
    else:
        blocks[at] = Block(bytes(size))


def _soil(blocks: list[Block], random: Random) -> None:
    """Something that is no structure, between or under the structures; fences and marks that discard a block."""
    block = random.choice(blocks)
    size = len(block.rest)
    if random.randrange(2):
        start = random.randrange(size)
        dirt = random.randbytes(random.choice((1, 4, 20)))
    else:
        start = random.choice((FENCE_AT, DISCARD_AT)) + random.choice((0, 0, 1, 8, 9))
        dirt = bytes(16 - start % 16)
    block.rest = (block.rest[:start] + dirt + block.rest[start + len(dirt) :])[:size]


_CHANGES: tuple[Change, ...] = (
    _change_frame, _change_frame, _change_frame, _shuffle_frames, _add_frame, _add_frame, _circle_of_names,
    _change_record, _change_record, _change_erase_record, _change_seal, _change_seal, _change_entry, _change_entry,
    _seal_unsealed, _move_block, _soil,
)  # fmt: skip
