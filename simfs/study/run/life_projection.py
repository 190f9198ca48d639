"""How long the flash lasts at a run's pace.

A store erases a block before it fills it, so every filling of a block stands for one erase. What was filled when the
run began was erased before it: of a new store that is its first block, which counts as filled once, so that a short
run does not promise too long a life.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simfs.replay.device.clock import NS_PER_YEAR

HOLDING = ("open", "closed", "damaged")  # states of a block that holds something


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
    unused_blocks: int  # never filled in the run
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


def fillings(erases_in_run: Sequence[int], holding: Sequence[bool]) -> list[int]:
    """How often each block was filled in a run. One that was not erased in it and holds something counts once."""
    return [max(erases, held) for erases, held in zip(erases_in_run, holding, strict=True)]


def project(
    *,
    rated_cycles: int,
    erase_counts: Sequence[int],
    erases_in_run: Sequence[int],
    holding: Sequence[bool],
    block_bytes: int,
    host_bytes: int,
    run_ns: int,
) -> Life:
    """The life of blocks that were erased `erases_in_run` times in `run_ns` and stand at `erase_counts` now.

    `holding` tells which blocks hold anything at the end.
    """
    fills = fillings(erases_in_run, holding)
    block_count, erases, unused_blocks = len(fills), sum(erases_in_run), fills.count(0)
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
