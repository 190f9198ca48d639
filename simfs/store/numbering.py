"""Sequence numbers that are missing. Each is given to one frame, or declared void by one that is written again; so
where one is missing, a frame can't be read that was acknowledged. With one log head a mount knows this for sure; with
two the number may be that of a frame of the other head whose block has been erased since, and a doubt is left."""

from __future__ import annotations

from itertools import pairwise, permutations

from simfs.store.codec import Kind
from simfs.store.reader import damaged
from simfs.store.scan import end_of
from simfs.store.state import Doubt, StoreState
from simfs.store.used import Used, by_base


def check_heads(state: StoreState, used: dict[int, Used], heads: list[Used]) -> None:
    """CorruptStore when what stands last in a head's block can't be read, and the other head holds newer frames: a
    frame that was cut would be the newest of all, and no number before it would be missing."""
    frames = {use.base + frame.order: frame for use in heads if use.found for frame in use.found.frames}
    void = {one for number, frame in frames.items() for one in range(number - frame.again, number)}
    for use, other in permutations(heads, 2):
        if use.found is None or use.found.content_end <= use.found.end:
            continue
        last = max((use.base + frame.order for frame in use.found.frames), default=use.base)
        for number in range(max(last, _numbered_from(used, other)) + 1, max(frames)):
            if number not in frames and number not in void:
                raise damaged(use.found.end, state.layout)


def _numbered_from(used: dict[int, Used], use: Used) -> int:
    """The sequence number above which none was left out when the block was opened: those of what stood last in the
    block before it were, where the head had left that one without a seal."""
    earlier = (one for one in used.values() if one.head == use.head and one.base < use.base)
    before = max(earlier, key=by_base, default=None)
    if before is None or before.seal is not None or use.found is None:
        return use.base
    return use.base + min(frame.order for frame in use.found.frames)


def check_blocks(state: StoreState, in_order: list[Used]) -> None:
    """CorruptStore, or a doubt, when numbers are missing in a block whose frames were read: before a frame, or behind
    the last one of a block that was left without a seal. `in_order`: by base, the frames that count known."""
    left: dict[int, Used] = {}  # by head: the block before, where it has no seal
    for use in in_order:
        if left:
            before = left.pop(use.head, None)
            if before is not None:
                _doubt_end(state, before, use.base)
        if use.found is not None:
            if use.seal is None:
                left[use.head] = use
            _check_within(state, use)


def _check_within(state: StoreState, use: Used) -> None:
    assert use.found is not None
    assert use.found.counted is not None
    frames, gaps = use.found.counted, {end for _, end in use.found.gaps}
    if frames and frames[0].address in gaps and frames[0].order - frames[0].again > 1:
        _doubt(state, use.start + state.layout.first)
    if frames and frames[-1].order - frames[0].order == len(frames) - 1:
        return  # they are in order: none is missing
    for earlier, later in pairwise(frames):
        wakes = later.kind == Kind.MARK and later.again > 0  # before it stood a MARK, which may be missing for no harm
        if later.order - later.again > earlier.order + 1 + wakes:
            address = end_of([earlier], use.block, state.layout)
            if len(state.log.heads) == 1:
                raise damaged(address, state.layout)
            if later.address in gaps:
                _doubt(state, address)


def _doubt_end(state: StoreState, use: Used, below: int) -> None:
    assert use.found is not None
    assert use.found.counted is not None
    frames = [frame for frame in use.found.counted if use.base + frame.order < below]
    if frames and use.base + frames[-1].order + 1 < below:
        _doubt(state, end_of(frames, use.block, state.layout))


def _doubt(state: StoreState, address: int) -> None:
    state.doubts.append(Doubt(address, "frames may be missing"))
