"""Remembers frames that were read before. A frame follows from its own bytes and the salt of its block, so a block that
begins with the same bytes as before begins with the same frames. That saves most of the reading of open blocks when
many flashes are mounted that differ little, as after power cuts; a single mount gains nothing."""

from __future__ import annotations

from simfs.store.format.codec import FRAME_BYTES, Frame
from simfs.store.format.layout import Layout

BLOCKS_KEPT = 8

_Seen = tuple[bytes, list[Frame], list[int]]  # a block's bytes, its frames up to the first gap, where each ends
_seen: dict[tuple[int, int, Layout], _Seen] = {}


def frames_seen(raw: bytes, start: int, salt: int, layout: Layout) -> list[Frame]:
    """The frames that are known to stand at the beginning of a block with the bytes `raw`."""
    old, frames, ends = _seen.get((start, salt, layout), (b"", [], []))
    low, high = 0, len(ends)
    middle = high  # all of them, at best
    while low < high:
        if raw.startswith(old[: ends[middle - 1]]):
            low = middle
        else:
            high = middle - 1
        middle = (low + high + 1) // 2
    return frames[:low]


def keep_frames(raw: bytes, start: int, salt: int, layout: Layout, frames: list[Frame]) -> None:
    """Remember these frames, which stand at the beginning of the block without a gap, in place of what was known of
    it."""
    key = (start, salt, layout)
    if key not in _seen and len(_seen) >= BLOCKS_KEPT:
        del _seen[next(iter(_seen))]
    _seen[key] = (raw, frames, [frame.address + FRAME_BYTES + frame.length - start for frame in frames])
