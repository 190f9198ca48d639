"""The rows that are about the wear of erase blocks, and how long they last."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.show import units
from simfs.show.rows.line import Line, marked
from simfs.study.run.figures import Wear
from simfs.study.run.life_projection import Life

UNEVEN = 2  # the hottest block wears more than this many times as fast as it would evenly
FILLS_MIN = 10


def wear_lines(wear: Wear) -> Iterator[Line]:
    """How often blocks were erased."""
    note = f"since new; mean {units.number(wear.mean_erases)}"
    if wear.max_erases:
        before = wear.max_erases - wear.erases_in_run[wear.hottest_block]
        note += f"; coldest block {wear.coldest_block:,}, hottest {wear.hottest_block:,}"
        note += f" ({units.counted(before, 'erase')} before the run)" if before else ""
    yield "erases of a block", f"{wear.min_erases:,} to {wear.max_erases:,}", note


def life_lines(life: Life) -> Iterator[Line]:
    """How long they last at this pace."""
    if life.hottest_ns is None or life.even_ns is None:
        yield "! life", "cannot say", _too_short(life)
    else:
        yield marked(
            _is_uneven(life.hottest_ns, life.even_ns, life),
            "life, hottest block",
            units.years(life.hottest_ns),
            f"until the rated {life.rated_cycles:,} cycles at this pace: block {life.first_worn_block:,} was filled "
            f"{_times(life.first_worn_fills)} in {units.time(life.run_ns)}{_unsettled(life)}",
            "Wear is uneven: lower level_threshold.",
        )
        yield "life, even wear", units.years(life.even_ns), "the same, if all blocks shared the erases"
    if life.floor_ns is not None:
        yield "life, floor", units.years(life.floor_ns), "at this pace, if only those bytes were programmed"


def _is_uneven(hottest_ns: int, even_ns: int, life: Life) -> bool:
    """Whether wear is uneven. Few fillings prove nothing, and while blocks are unused wear can't be even."""
    return hottest_ns * UNEVEN < even_ns and life.first_worn_fills >= FILLS_MIN and not life.unused_blocks


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count:,} times"


def _unsettled(life: Life) -> str:
    if life.run_longer_ns is None:
        return ""
    unused = units.counted(life.unused_blocks, "block")
    return f"; {unused} unused so far, a run of {units.time(2 * life.run_longer_ns)} would tell better"


def _too_short(life: Life) -> str:
    if not life.run_ns:
        return "no device time passed."
    note = f"no erase in this run of {units.time(life.run_ns)}, {units.counted(life.unused_blocks, 'block')} unused."
    return note if life.run_longer_ns is None else f"{note} Run for {units.time(2 * life.run_longer_ns)} or more."
