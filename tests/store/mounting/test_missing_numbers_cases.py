"""What missing sequence numbers say, case by case: blocks as a mount finds them, made by hand. Numbers are given out to
all heads in turn; a block's base is one of them too."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.format.codec import FRAME_BYTES, UNKNOWN, Frame, Kind, Seal, encode_open_record
from simfs.store.format.settings import record_of
from simfs.store.log.block_scan import Frames
from simfs.store.log.state import StoreState
from simfs.store.mounting.found_block import Used
from simfs.store.mounting.missing_numbers import check_blocks, check_heads

BLOCK_BYTES, FIRST = 1024, 128


def state_of(heads: int) -> StoreState:
    flash = NorFlash(8, BLOCK_BYTES, 128)
    return Store.format(flash, StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=heads))._volume.state


def block(
    number: int,
    base: int,
    numbers: Sequence[int | tuple[int, int] | tuple[int, int, Kind]] = (),
    *,
    head: int = 0,
    tries: int = 0,
    sealed: bool = False,
    torn: bool = False,
    gap_before: int | None = None,
    stated: bytes = b"",
) -> Used:
    """A block with an empty frame for each number, or number and `again`, or those and a kind (else DATA). `torn`:
    something stands behind them; `gap_before`: before the frame of this number."""
    start = number * BLOCK_BYTES
    frames, gaps = [], []
    at = start + FIRST
    for one in numbers:
        sequence, again, kind = (one, 0, Kind.DATA) if isinstance(one, int) else (*one, Kind.DATA)[:3]
        if sequence == gap_before:
            gaps.append((at, at + 7))
            at += 7
        frames.append(Frame(kind, again, 0, 1, 0, sequence - base, at))
        at += FRAME_BYTES
    found = Frames(frames, at, at + 5 if torn else at, gaps, frames)
    return Used(number, start, base, head, tries, stated, Seal(0, at - start, 1) if sealed else None, [], found)


def end_of(number: int, count: int, gap: int = 0) -> int:
    """The address behind so many frames of a block."""
    return number * BLOCK_BYTES + FIRST + gap + count * FRAME_BYTES


def damage(blocks: list[Used], heads: int = 2) -> int | None:
    """Where `check_heads` finds the store damaged; the last block of each head is open."""
    used = {use.block: use for use in blocks}
    opened = [use for use in blocks if use.seal is None]
    return damaged_at(lambda: check_heads(state_of(heads), used, opened))


def damaged_at(check: Any) -> int | None:
    try:
        check()
    except CorruptStore as error:
        return int(str(error).split("flash address ")[1].rstrip(")"), 16)
    return None


TORN = end_of(1, 2)
BEFORE = block(3, 0, [1], head=1, sealed=True)


@pytest.mark.parametrize(
    ("blocks", "found"),
    [
        # Head 0 in block 1 with numbers 1 and 2, and something torn behind them; head 1 in block 2.
        ([block(1, 0, [1, 2], torn=True), block(2, 2, [3, 4], head=1)], None),
        ([block(1, 0, [1, 2], torn=True), block(2, 2, [3, 5], head=1)], TORN),
        ([block(1, 0, [1, 2]), block(2, 2, [3, 5], head=1)], None),
        ([block(1, 0, [1, 2], torn=True), block(2, 3, [4], head=1)], None),  # 3 is the base
        ([block(1, 0, [1, 2], torn=True), block(2, 2, [3, (5, 1)], head=1)], None),  # 4 is declared void
        ([block(1, 0, [1, 2], torn=True), block(2, 2, [3, (6, 1)], head=1)], TORN),
        ([block(1, 0, [1, 2], torn=True), block(2, 2, [3, (6, 2)], head=1)], None),
        # What the other head wrote before may be erased.
        ([block(1, 0, [1, 2], torn=True), block(2, 9, [10, 11], head=1)], None),
        ([block(1, 0, [1, 2], torn=True), block(2, 9, [10, 12], head=1)], TORN),
        ([block(1, 0, [1, 2], torn=True), block(2, 9, [11], head=1)], TORN),
        ([BEFORE, block(1, 0, [1, 2], torn=True), block(2, 9, [11], head=1)], TORN),
        # A recovery that left the block before without a seal, or replaced it, has left numbers out.
        ([block(3, 0, [1], head=1), block(1, 0, [1, 2], torn=True), block(2, 9, [11, 12], head=1)], None),
        ([block(3, 0, [1], head=1), block(1, 0, [1, 2], torn=True), block(2, 9, [11, 13], head=1)], TORN),
        ([block(1, 0, [1, 2], torn=True), block(2, 9, [11, 12], head=1, tries=1)], None),
        ([block(1, 0, [1, 2], torn=True), block(2, 9, [11, 13], head=1, tries=1)], TORN),
        ([BEFORE, block(3, 9, [10], head=1), block(1, 0, [1, 2], torn=True), block(2, 9, [12], head=1, tries=1)], None),
        # The block before is the one with the next lower base; those of the torn head don't matter.
        ([block(3, 5, [6], head=1, sealed=True), block(4, 0, [1], head=1), block(1, 0, [1, 2], torn=True),
          block(2, 9, [11], head=1)], TORN),
        ([block(3, 5, [6], head=1), block(4, 0, [1], head=1, sealed=True), block(1, 0, [1, 2], torn=True),
          block(2, 9, [11], head=1)], None),
        ([block(3, 8, [9]), block(1, 9, [10, 11], torn=True), block(2, 9, [13], head=1)], TORN),
        # The torn head has no sound frame.
        ([block(1, 4, torn=True), block(2, 2, [3, 5], head=1)], None),
        ([block(1, 4, torn=True), block(2, 2, [3, 6], head=1)], end_of(1, 0)),
        ([block(3, 0, [1], sealed=True), block(1, 4, torn=True), block(2, 2, [3, 6], head=1)], end_of(1, 0)),
        ([block(3, 0, [1]), block(1, 4, torn=True), block(2, 2, [3, 6], head=1)], None),
        # The other one has none.
        ([block(1, 0, [1, 2, 9], torn=True), block(2, 4, head=1)], None),
        ([block(1, 0, [1, 2], torn=True), block(2, 4, head=1, torn=True)], None),
        # A block that its head has left is none of the open ones.
        ([block(1, 0, [1, 2], torn=True), block(3, 7, [8]), block(2, 2, [3, 5], head=1)], None),
        ([block(1, 7, [8, 9], torn=True, tries=1), block(3, 7, [10, 11], tries=2), block(2, 2, [12], head=1)], None),
        ([block(1, 7, [8, 9], torn=True, tries=2), block(3, 7, [], tries=1), block(2, 7, [8, 11], head=1)], TORN),
    ],
)  # fmt: skip
def test_a_torn_end_is_no_cut_where_a_number_is_missing(blocks: list[Used], found: int | None) -> None:
    assert damage(blocks) == found


@pytest.mark.parametrize(
    ("behind", "opened", "base", "found"),
    [
        (4, 1, 6, None),  # that is number 2, which stands there
        (3, 1, 6, TORN),
        (1, 1, 6, TORN),
        (0, 1, 6, TORN),
        (5, 1, 6, None),
        (UNKNOWN, 1, 6, None),
        (3, 5, 6, None),  # the block is not named
        (0, 1, UNKNOWN + 4, TORN),
        (UNKNOWN, 1, UNKNOWN + 4, None),
    ],
)
@pytest.mark.parametrize("which", ["opened", "opened_too"])
def test_a_head_states_the_last_frame_of_the_other(
    behind: int, opened: int, base: int, found: int | None, which: str
) -> None:
    flash = NorFlash(8, BLOCK_BYTES, 128)
    settings = record_of(StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=2), flash.geometry)
    raw = encode_open_record(settings._replace(base=base, behind=behind, **{which: opened}))[0][:56]
    for sealed in (True, False):
        torn = block(1, 0, [1, 2], torn=True)
        assert damage([torn, block(2, base, [base + 1], head=1, sealed=sealed, stated=raw)]) == found
        assert damage([torn, block(2, base, [base + 1], head=1, sealed=sealed)]) is None
        empty = block(1, 1, torn=True)
        shown = end_of(1, 0) if found or behind == 4 else None
        assert damage([empty, block(2, base, [base + 1], head=1, sealed=sealed, stated=raw)]) == shown
        assert damage([block(1, 0, [1, 2]), block(2, base, [base + 1], head=1, sealed=sealed, stated=raw)]) is None
    older = block(1, base, [base + 1, base + 2], torn=True)
    assert damage([older, block(2, base, [base + 3], head=1, stated=raw)]) is None
    assert damage([block(2, base, [base + 1], sealed=True, stated=raw), block(1, base + 2, torn=True)]) is None


def doubts(blocks: list[Used], heads: int = 1) -> list[int] | str:
    """What `check_blocks` finds: addresses of doubts, or of damage."""
    state = state_of(heads)
    state.doubts.clear()
    found = damaged_at(lambda: check_blocks(state, blocks))
    return [doubt.address for doubt in state.doubts] if found is None else f"damage {found}"


M = Kind.MARK


@pytest.mark.parametrize(
    ("blocks", "one_head", "two_heads"),
    [
        ([block(1, 4, [5, 6, 7])], [], []),
        ([block(1, 4)], [], []),
        ([block(1, 4, [6, 7])], [], []),
        # Before the first frame, where something stands that can't be read.
        ([block(1, 4, [6, 7], gap_before=6)], [end_of(1, 0)], [end_of(1, 0)]),
        ([block(1, 4, [5, 6], gap_before=5)], [], []),
        ([block(1, 4, [(6, 1), 7], gap_before=6)], [], []),
        ([block(1, 4, [(7, 1), 8], gap_before=7)], [end_of(1, 0)], [end_of(1, 0)]),
        # Between two frames.
        ([block(1, 4, [5, 7])], f"damage {end_of(1, 1)}", []),
        ([block(1, 4, [5, 6, 8, 9])], f"damage {end_of(1, 2)}", []),
        ([block(1, 4, [5, (7, 1)])], [], []),
        ([block(1, 4, [5, (8, 1)])], f"damage {end_of(1, 1)}", []),
        ([block(1, 4, [5, (8, 2), 9])], [], []),
        ([block(1, 4, [5, (8, 1), 9], gap_before=8)], f"damage {end_of(1, 1)}", [end_of(1, 1)]),
        ([block(1, 4, [5, (7, 1)], gap_before=7)], [], []),
        ([block(1, 4, [5, 6, 8], gap_before=6)], f"damage {end_of(1, 2, 7)}", []),
        # Before the MARK that wakes a head one MARK may be missing.
        ([block(1, 4, [5, (8, 1, M)])], [], []),
        ([block(1, 4, [5, (8, 1, M)], gap_before=8)], [end_of(1, 1)], [end_of(1, 1)]),
        ([block(1, 4, [5, (9, 1, M)])], f"damage {end_of(1, 1)}", []),
        ([block(1, 4, [5, (9, 2, M)])], [], []),
        ([block(1, 4, [5, (7, 0, M)])], f"damage {end_of(1, 1)}", []),
        # At the end of a block left without a seal.
        ([block(1, 4, [5, 6]), block(2, 7, [8])], [], []),
        ([block(1, 4, [5, 6]), block(2, 8, [9])], [end_of(1, 2)], [end_of(1, 2)]),
        ([block(1, 4, [5, 6], sealed=True), block(2, 8, [9])], [], []),
        ([block(1, 4, [5, 6, 7]), block(2, 6, [7])], [], []),
        ([block(1, 4, [5, (8, 2, M)]), block(2, 8, [9])], [end_of(1, 1)], [end_of(1, 1)]),
        ([block(1, 4), block(2, 8, [9])], [], []),
        ([block(1, 4, [5, 6]), block(2, 7, [8]), block(3, 10, [11])], [end_of(2, 1)], [end_of(2, 1)]),
        ([block(1, 4, [5, 6]), block(2, 7, [8], sealed=True), block(3, 10, [11])], [], []),
        # Of the other head is none of them.
        ([block(1, 4, [5, 6]), block(2, 8, [9], head=1)], [], []),
        ([block(1, 4, [5]), block(2, 5, [6], head=1), block(3, 7, [8])], [end_of(1, 1)], [end_of(1, 1)]),
        ([block(1, 4, [5]), block(2, 5, [7], head=1), block(3, 6, [8]), block(4, 9, [10], head=1)],
         [end_of(2, 1)], [end_of(2, 1)]),
    ],
)  # fmt: skip
def test_what_is_missing_in_a_block(blocks: list[Used], one_head: list[int] | str, two_heads: list[int]) -> None:
    assert doubts(blocks, 1) == one_head
    assert doubts(blocks, 2) == two_heads
