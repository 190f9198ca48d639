"""How long the flash lasts at a run's pace.

A block has to be erased before it can be filled again, so every filling of a block stands for one erase, even if the
run ended before that erase. As long as a store fills blank room it erases nothing, and a pace taken from erases alone
would promise too long a life. Taken from fillings, the pace is too high by at most one erase for each block.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simfs.replay.device.clock import NS_PER_YEAR


@dataclass(frozen=True, slots=True)
class Life:
    """Time left until the rated cycles, if the device goes on as in this run; None if the run can't say.

    hottest_ns     until the first block gets there
    even_ns        until all get there, if they shared the erases evenly
    floor_ns       the same, if only the device's own bytes were ever programmed (write amplification 1)
    run_longer_ns  how long a run would have to be to use every block once; None if it did, or has no pace
    """

    rated_cycles: int
    run_ns: int
    erases_in_run: int
    first_worn_block: int | None
    first_worn_fills: int  # how often that block was filled in the run: the basis of `hottest_ns`
    unused_blocks: int  # never filled so far
    run_longer_ns: int | None
    hottest_ns: int | None
    even_ns: int | None
    floor_ns: int | None

    @property
    def hottest_years(self) -> float | None:
        return _years(self.hottest_ns)

    @property
    def even_years(self) -> float | None:
        return _years(self.even_ns)

    @property
    def floor_years(self) -> float | None:
        return _years(self.floor_ns)


def project(
    *,
    rated_cycles: int,
    erase_counts: Sequence[int],
    erases_in_run: Sequence[int],
    filled: Sequence[bool],
    unused_blocks: int,
    block_bytes: int,
    host_bytes: int,
    run_ns: int,
) -> Life:
    """The life of blocks that were erased `erases_in_run` times in `run_ns` and stand at `erase_counts` now.

    `filled` tells which blocks hold anything at the end, `unused_blocks` how many never have.
    """
    fills = [erases + held for erases, held in zip(erases_in_run, filled, strict=True)]
    block_count, erases = len(fills), sum(erases_in_run)
    left = [max(0, rated_cycles - count) for count in erase_counts]
    used_blocks = block_count - unused_blocks
    worn_block: int | None = None
    hottest_ns = even_ns = None
    if erases and run_ns:
        busy = [block for block in range(block_count) if fills[block]]
        worn_block = min(busy, key=lambda block: left[block] * run_ns // fills[block])
        hottest_ns = left[worn_block] * run_ns // fills[worn_block]
        even_ns = sum(left) * run_ns // sum(fills)
    return Life(
        rated_cycles=rated_cycles,
        run_ns=run_ns,
        erases_in_run=erases,
        first_worn_block=worn_block,
        first_worn_fills=fills[worn_block] if worn_block is not None else 0,
        unused_blocks=unused_blocks,
        run_longer_ns=run_ns * block_count // used_blocks if unused_blocks and used_blocks else None,
        hottest_ns=hottest_ns,
        even_ns=even_ns,
        floor_ns=sum(left) * block_bytes * run_ns // host_bytes if host_bytes else None,
    )


def _years(time_ns: int | None) -> float | None:
    return None if time_ns is None else time_ns / NS_PER_YEAR
