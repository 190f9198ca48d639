"""What a block tells of others counts as far as the block itself does."""

from __future__ import annotations

from simfs.store.format.statement import Left
from simfs.store.log.block_scan import Scan
from simfs.store.mounting.told import Told, Used, _counts

BLOCK, TELLS_AT, ENDS_AT, BACK_AT = 1024, 200, 300, 512


def counts(skip_at: int, ends_at: int) -> bool:
    """Whether a frame counts that stands in block 1 before a SKIP, which voids it; the log tells where the block
    ends."""
    scan = Scan(1, b"", 0, 128, skips={skip_at: TELLS_AT - 50})
    used = Used(1, BLOCK, 7, None, [], scan)
    return _counts(BLOCK + TELLS_AT, {1: Told(9, 0, Left(1, 7, ends_at))}, {1: used}, BLOCK)


def test_what_came_back_behind_the_end_of_a_block_voids_nothing_before_it() -> None:
    assert counts(BACK_AT, ENDS_AT)
    assert not counts(BACK_AT, BACK_AT + 1)
    assert not counts(ENDS_AT - 10, ENDS_AT)


def test_nothing_behind_the_end_of_a_block_counts() -> None:
    assert not counts(BACK_AT, TELLS_AT)
