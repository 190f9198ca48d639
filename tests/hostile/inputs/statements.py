"""Hostile statements: what they say of the blocks, where they stand, and how many; checksums are repaired."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from simfs.store.format.codec import NO_BLOCK, NOWHERE, ORDER_MAX
from simfs.store.format.statement import Left, Other, Settings, Statement
from tests.hostile.inputs.anatomy import Block, Stated, odd
from tests.hostile.inputs.frames import NO_FRAME, bases_of, odd_frame, opened

U8, U16, U24, U32, U64 = ((1 << bits) - 1 for bits in (8, 16, 24, 32, 64))
_SETTING_MOST = Settings(U8, U8, U8, U8, U16, U32, U32, U32, U16, U16, U16, U16, U16)
_SAYING_MOST = {
    "base": U64, "order": U24, "end": U32, "erase_count": U32, "erase_count_max": U32, "head": U8, "next": U16,
    "next_erase_count": U32, "after": U16, "after_erase_count": U32, "used_from": U16, "used": U16, "before": U16,
    "before_base": U64, "base_sum": U32, "place_sum": U32,
}  # fmt: skip  # fmt: skip
_POINTING = ("base", "order", "end", "head", "next", "after", "used_from", "used", "before", "before_base")


def change_statement(blocks: list[Block], random: Random) -> None:
    block = opened(blocks, random)
    if not block.stated:
        return
    at = random.randrange(len(block.stated))
    stated = block.stated[at]
    what = random.randrange(6)
    if what < 3:
        stated = stated._replace(says=_odd_saying(stated.says, blocks, random))
    elif what == 3:
        stated = stated._replace(says=_odd_lists(stated.says, blocks, random))
    elif what == 4:
        inner = stated.inner or random.choice(block.frames or [NO_FRAME])
        stated = stated._replace(inner=random.choice((None, odd_frame(inner, blocks, random))))
    else:
        stated = stated._replace(sound=bool(random.randrange(2)), at=odd(random, stated.at, len(block.rest) - 1))
    block.stated[at] = stated


def _odd_saying(said: Statement, blocks: list[Block], random: Random) -> Statement:
    """One number of it is odd, or points elsewhere."""
    name = random.choice((*_POINTING, *_POINTING, *_SAYING_MOST))
    most = _SAYING_MOST[name]
    value = odd(random, getattr(said, name), most)
    if most == U16 and random.randrange(2):
        value = random.choice((NO_BLOCK, *range(len(blocks))))
    if most == U64 and random.randrange(2):
        value = random.choice(bases_of(blocks))
    return replace(said, **{name: value})


def _odd_lists(said: Statement, blocks: list[Block], random: Random) -> Statement:
    """The blocks that it says were left, and the other head's."""
    number, base, end = random.randrange(len(blocks)), random.choice(bases_of(blocks)), odd(random, 200, U32)
    if random.randrange(2):
        left = Left(number, base, random.choice((0, end, NOWHERE)))
        return replace(said, left=(*said.left, left)[random.randrange(2) :])
    go = random.choice((NOWHERE, odd(random, said.other.go, U32)))
    return replace(said, other=Other(random.choice((number, NO_BLOCK)), end, go, odd(random, said.other.last, U64)))


def change_settings(blocks: list[Block], random: Random) -> None:
    """In one statement, or in all."""
    some = [(block, at) for block in blocks for at in range(len(block.stated))]
    if not some:
        return
    at = random.randrange(len(_SETTING_MOST))
    first = some[0][0].stated[some[0][1]].says.settings
    value = odd(random, first[at], _SETTING_MOST[at])
    for block, place in some if random.randrange(2) else [random.choice(some)]:
        said = block.stated[place].says
        settings = Settings(*said.settings[:at], value, *said.settings[at + 1 :])
        if settings.log_heads == 1 and random.randrange(2):
            said = replace(said, head=0)
        block.stated[place] = block.stated[place]._replace(says=replace(said, settings=settings))


def change_stated(blocks: list[Block], random: Random) -> None:
    """Statements twice, gone, in another block, newer than all; END records that say something else."""
    block, other = opened(blocks, random), opened(blocks, random)
    what = random.randrange(5)
    if what == 0 and block.ends:
        at = random.choice(sorted(block.ends))
        block.ends[at] = odd(random, block.ends[at], U64)
    elif what == 1:
        block.ends.clear()
    elif what == 2 and block.stated:
        del block.stated[random.randrange(len(block.stated))]
    elif what == 3 and block.stated and other.stated:
        other.stated[random.randrange(len(other.stated))] = random.choice(block.stated)
    elif block.stated:
        _restate(block, random)


def _restate(block: Block, random: Random) -> None:
    """The last statement once more, in a later page."""
    last = block.stated[-1]
    at = last.at + random.choice((1, 2, 3)) * last.says.settings.page_bytes
    if at + 104 < len(block.rest):
        order = last.says.order + random.choice((0, 1, 2, 9))
        said = replace(last.says, order=min(order, ORDER_MAX), end=random.choice((NOWHERE, last.at, 0, at)))
        block.stated.append(Stated(at, said, last.inner))
