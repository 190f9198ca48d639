"""Hostile images: random, truncated, and sound ones with a few things changed, checksums repaired."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from simfs.store.format.codec import KINDS, ORDER_MAX, UNLISTED, Seal
from simfs.store.format.runs import (
    KIND_MASK,
    KIND_SHIFT,
    LENGTH_SHIFT,
    ORDER_SHIFT,
    PLACE_MASK,
    kind_of,
    order_of,
    place_of,
)
from tests.hostile.inputs.anatomy import Block, odd, put_together, repair_sums, take_apart
from tests.hostile.inputs.bases import SHAPES, Base, bases
from tests.hostile.inputs.frames import add_frame, change_frame, circle_of_names, files, opened, shuffle_frames
from tests.hostile.inputs.statements import change_settings, change_stated, change_statement
from tests.hostile.judge import judge_image
from tests.hostile.tally import Tally

U16, U32, U64 = ((1 << bits) - 1 for bits in (16, 32, 64))

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
    """One to five changes. The sums over all bases mostly say what is there then."""
    for _ in range(random.choice((1, 1, 2, 3, 5))):
        random.choice(_CHANGES)(blocks, random)
    if random.randrange(4):
        repair_sums(blocks)


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
        block.seal = seal._replace(base=odd(random, seal.base, U64))
    elif what == 3:
        block.seal = seal._replace(next_order=odd(random, seal.next_order, U32))
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
    first, file, offset = block.entries[at]
    address, kind, order, length = (
        place_of(block.entries[at]),
        kind_of(block.entries[at]),
        order_of(block.entries[at]),
        0,
    )
    length = first >> LENGTH_SHIFT
    what = random.randrange(6)
    if what == 0:
        size = len(block.rest)
        address = random.choice((0, 118, size - 26, size - 1, size, PLACE_MASK, random.randrange(size)))
    elif what == 1:
        kind = random.choice((*sorted(KINDS), 0, 0xFF))
    elif what == 2:
        order = odd(random, order, ORDER_MAX)
    elif what == 3:
        length = odd(random, length, U16)
    elif what == 4:
        file = random.choice((odd(random, file, U32), *files(blocks)))
    else:
        offset = odd(random, offset, U32)
    block.entries[at] = (_first(address, kind, order, length), file, offset)
    if not random.randrange(4):
        random.shuffle(block.entries)


def _first(address: int, kind: int, order: int, length: int) -> int:
    """The first number of a run entry."""
    return address & PLACE_MASK | (kind & KIND_MASK) << KIND_SHIFT | order << ORDER_SHIFT | length << LENGTH_SHIFT


def _seal_unsealed(blocks: list[Block], random: Random) -> None:
    """A seal with invented runs on a block that had none."""
    block = opened(blocks, random)
    if not block.stated or block.seal is not None:
        return
    entries = [
        (_first(frame.at, frame.kind, frame.order & ORDER_MAX, len(frame.payload)), frame.file, frame.offset)
        for frame in block.frames[: random.randrange(6)]
    ]
    block.entries = entries
    block.seal = Seal(len(entries), odd(random, 200, 1024), odd(random, 9, U32), block.counts_from or 0)


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
    """Something that is no structure, between or under the structures; marks, whole and torn."""
    block = random.choice(blocks)
    size = len(block.rest)
    if random.randrange(2):
        start = random.randrange(size)
        dirt = random.randbytes(random.choice((1, 4, 20)))
    else:
        start = random.choice((size - 1, size - 2, size - 16, size - 32, *range(0, size, 64), 13, 28))
        dirt = random.choice((b"\0", b"\x7f", bytes(8), bytes(16)))
    block.rest = (block.rest[:start] + dirt + block.rest[start + len(dirt) :])[:size]


_CHANGES: tuple[Change, ...] = (
    change_frame, change_frame, change_frame, shuffle_frames, add_frame, add_frame, circle_of_names,
    change_statement, change_statement, change_statement, change_settings, change_stated, change_stated,
    _change_seal, _change_seal, _change_entry, _change_entry, _seal_unsealed, _move_block, _soil,
)  # fmt: skip
