"""Finds missing sequence numbers. Each number is given to one frame, or declared void by a frame written again, so a
missing number is an acknowledged frame that can't be read. With one log head a mount knows this for sure. With two the
number may be that of a frame of the other head, whose block has been erased since; then it is only a doubt."""

from __future__ import annotations

from itertools import pairwise, product

from simfs.store.format.codec import UNKNOWN, Kind
from simfs.store.format.headers import stated_by
from simfs.store.log.block_scan import end_of
from simfs.store.log.frame_reader import damaged
from simfs.store.log.state import Doubt, StoreState
from simfs.store.mounting.found_block import Used, by_base


def check_heads(state: StoreState, used: dict[int, Used], heads: list[Used]) -> None:
    """CorruptStore when the end of an open block is no cut frame but a damaged one. A frame that was cut would be the
    newest of all, and no number before it would be missing in the other head's block. That block can show only numbers
    above its base, since what its head wrote before may have been erased. `heads`: the open blocks, and those without a
    sound frame, which a head has left if it has a newer one."""
    newest = [max((use for use in used.values() if use.head == head), key=by_base, default=None) for head in (0, 1)]
    heads = [use for use in heads if (last := newest[use.head]) is None or by_base(last) <= by_base(use)]
    torn = [use for use in heads if use.found is not None and use.found.content_end > use.found.end]
    if not torn:
        return
    for use in torn:
        _check_said(state, used, use)
    frames = {use.base + frame.order: frame for use in heads if use.found for frame in use.found.frames}
    void = {one for number, frame in frames.items() for one in range(number - frame.again, number)}
    for use, other in product(torn, heads):
        assert use.found is not None
        own = [frame.order for frame in use.found.frames]
        if use is other or not other.holds_frames or (not own and _follows_unsealed(used, use)):
            continue  # a recovery that opened a block has left numbers out
        known_from = max(use.base + max(own, default=0), _numbered_from(used, other))
        for number in range(known_from + 1, max(frames)):
            if number not in frames and number not in void:
                raise damaged(use.found.end, state.layout)


def _check_said(state: StoreState, used: dict[int, Used], use: Used) -> None:
    """CorruptStore when a frame is missing that the other head stated when it opened a block."""
    assert use.found is not None
    last = use.base + max((frame.order for frame in use.found.frames), default=0)
    for said in (stated_by(other.stated) for other in used.values()):  # its own, or an older one, states nothing so new
        if said is None or said.behind == UNKNOWN or use.block not in (said.opened, said.opened_too):
            continue
        if last < said.base - said.behind:
            raise damaged(use.found.end, state.layout)


def _before(used: dict[int, Used], use: Used) -> Used | None:
    """The block that the head had open before."""
    earlier = (one for one in used.values() if one.head == use.head and by_base(one) < by_base(use))
    return max(earlier, key=by_base, default=None)


def _follows_unsealed(used: dict[int, Used], use: Used) -> bool:
    before = _before(used, use)
    return use.tries > 0 or (before is not None and before.seal is None)


def _numbered_from(used: dict[int, Used], use: Used) -> int:
    """The sequence number above which the block has left out none. If the head left the block before without a seal,
    the numbers at the end of that one were left out."""
    if use.found is None or not _follows_unsealed(used, use):
        return use.base
    return use.base + min(frame.order for frame in use.found.frames)


def check_blocks(state: StoreState, in_order: list[Used]) -> None:
    """CorruptStore, or a doubt, when numbers are missing in a block whose frames were read: before a frame, or after
    the last one of a block left without a seal. `in_order`: the blocks by base, with the frames that count."""
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
        missing = later.order - later.again - earlier.order - 1
        if missing <= 0:
            continue
        wakes = later.kind == Kind.MARK and later.again > 0  # before it stood a MARK, which may be missing for no harm
        address = end_of([earlier], use.block, state.layout)
        if missing > wakes and len(state.log.heads) == 1:
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
