"""What shows that a recovery has begun to make an end of the statements in a block, and which END is none of these."""

from __future__ import annotations

from simfs.store.format.codec import END_BYTES
from simfs.store.format.layout import KILLED_BYTES, Layout
from simfs.store.log.block_scan import Scan
from simfs.store.log.marks import is_marked


def is_killed(found: Scan, layout: Layout) -> bool:
    """Whether a recovery has begun to make an end of all statements in the block."""
    at, zeros = layout.end_at, bytes(KILLED_BYTES)
    return zeros in found.raw and any(found.raw.startswith(zeros, page + at) for page in layout.places())


def is_to_be_killed(found: Scan, layout: Layout) -> bool:
    """Whether a mark says so; there is one of its own with page packing only."""
    return layout.page_packing and is_marked(found.raw[layout.killing_at : layout.left_at])


def newest_end(found: Scan, layout: Layout) -> tuple[int, int] | None:
    """The highest number in an END whose statement can't be read though it was whole, and the page of its place: it is
    damage. None where recoveries can have left all such ENDs, which kill END last with page packing."""
    if not found.ends or not layout.page_packing:
        return max(found.ends.items(), default=None)
    number, end = max(found.ends.items())
    behind = end + layout.page_bytes
    was_sure = is_marked(found.raw[end + END_BYTES : behind])  # before that nobody was answered
    is_last = not is_marked(found.raw[behind : layout.seal_end])
    is_begun = (is_last and is_to_be_killed(found, layout)) or is_killed(found, layout)
    return (number, end) if was_sure and not is_begun else None
