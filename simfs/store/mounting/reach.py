"""Whom a damage may have hurt: the files that had frames in it, or how new what is lost can have been at most."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import replace
from itertools import accumulate
from typing import NamedTuple

from simfs.store.format.codec import (
    DATA,
    FRAME_BYTES,
    HEADER_BYTES,
    HOLE,
    NUMBER_MAX,
    Frame,
    decode_header,
    payload_is_sound,
    salt_of,
)
from simfs.store.format.layout import Layout
from simfs.store.format.statement import Statement
from simfs.store.log.state import StoreState
from simfs.store.mounting.told import NO_HEAD, Used
from simfs.store.tables.blocks import SUM_END

Stretch = tuple[int, int]


class SumsOff(NamedTuple):
    """How much more the ruling statement's sums over the blocks are than those of the blocks that were found."""

    bases: int
    places: int
    number: int  # of the statement

    @property
    def is_none(self) -> bool:
        return not self.bases and not self.places

    def blames(self, block: int) -> bool:
        """Whether another base of this block explains both."""
        return self.bases * (block + 1) % SUM_END == self.places

    def base_of(self, found: int) -> int:
        """The base that the block had which is to blame, and was found with another one, or with none (0)."""
        return self.number - (self.number - found - self.bases) % SUM_END


def sums_off(state: StoreState, said: Statement) -> SumsOff:
    """By how much a statement's sums are off."""
    bases, places = said.base_sum - state.blocks.base_sum, said.place_sum - state.blocks.place_sum
    return SumsOff(bases % SUM_END, places % SUM_END, said.number)


def narrow(state: StoreState, blocks: dict[int, Used], open_blocks: list[int], said: Statement) -> None:
    """Note of what is damaged within blocks how new it can have been at most."""
    sums = sums_off(state, said)
    for at, damage in enumerate(state.damages):
        if sums.is_none and (damage.files is not None or damage.before < NUMBER_MAX):
            continue
        block = damage.begin // state.layout.block_bytes
        before = numbers_end(blocks, open_blocks, block, sums)
        state.damages[at] = replace(damage, before=before, files=None)


def numbers_end(blocks: dict[int, Used], open_blocks: list[int], block: int, sums: SumsOff) -> int:
    """All frames of a block had smaller sequence numbers than this: at the latest the next block of the same head
    begins with it."""
    use = blocks.get(block)
    if not sums.is_none:
        return (
            _next_base(blocks, sums.base_of(use.base if use is not None else 0)) if sums.blames(block) else NUMBER_MAX
        )
    if use is None or block in open_blocks:
        return NUMBER_MAX
    if use.seal is not None:
        return use.base + use.seal.next_order
    return (
        NUMBER_MAX
        if use.head == NO_HEAD
        else _next_base({at: one for at, one in blocks.items() if one.head == use.head}, use.base)
    )


def _next_base(blocks: dict[int, Used], base: int) -> int:
    """The base of the next block, of whichever head that comes last."""
    heads = {one.head for one in blocks.values()} - {NO_HEAD}
    later = [(one.head, one.base) for one in blocks.values() if one.base > base]
    return max(
        (min((begins for head, begins in later if head == own), default=NUMBER_MAX) for own in heads),
        default=NUMBER_MAX,
    )


def missing_in(use: Used) -> list[Stretch]:
    """For each stretch of a block's bytes that holds something and can't be read: the sequence numbers of what stands
    before and behind it."""
    if use.scan is None:
        return []
    known = [(frame.address, use.base + frame.order) for frame in use.scan.frames]
    known = sorted(known + [(said.address, said.number) for said in use.scan.statements])
    places, numbers = [at for at, _ in known], [number for _, number in known]
    before = [use.base - 1, *accumulate(numbers, max)]
    behind = [*accumulate(reversed(numbers), min, initial=NUMBER_MAX)][::-1]
    return [(before[bisect_left(places, begin)], behind[bisect_left(places, end)]) for begin, end in use.scan.gaps]


def numbers_before(use: Used, hurt: Stretch) -> int:
    """The sequence number of what stands behind all that can't be read in the block; NUMBER_MAX where that is
    unknown."""
    if use.scan is None or hurt not in use.scan.gaps:
        return NUMBER_MAX
    return max(high for _, high in missing_in(use))


def files_in(layout: Layout, use: Used, hurt: Stretch) -> frozenset[int] | None:
    """The numbers of the files that have data in a stretch, where headers tell all that stood there; one flipped bit in
    one of them is put right. None where they don't, or claims stood there."""
    if use.scan is None or use.scan.gaps != [hurt]:
        return None
    at, end, raw, files = hurt[0], hurt[1], use.scan.raw, set()
    salt = salt_of(use.block, use.base)
    while raw[at:end].strip(b"\xff"):
        frame = _frame_at(raw, at, salt)
        if frame is None or frame.kind not in (DATA, HOLE) or at + FRAME_BYTES + frame.length > end:
            return None
        files.add(frame.file)
        at += layout.pitch(frame.length)
    return frozenset(files)


def _frame_at(raw: bytes, at: int, salt: int) -> Frame | None:
    """What the header says at an address; it is sound, or the whole frame is with one bit of it turned round."""
    header = bytearray(raw[at : at + HEADER_BYTES])
    found = decode_header(bytes(header), at, salt) if len(header) == HEADER_BYTES else None
    for bit in range(8 * len(header)) if found is None else ():
        header[bit // 8] ^= 1 << bit % 8
        one = decode_header(bytes(header), at, salt) if len(header) == HEADER_BYTES else None
        if one is not None and at + FRAME_BYTES + one.length <= len(raw):
            whole = bytes(header) + raw[at + HEADER_BYTES : at + FRAME_BYTES + one.length]
            if payload_is_sound(whole, one.length, salt):
                return one
        header[bit // 8] ^= 1 << bit % 8
    return found
