"""Ideas about the store's own settings and its size."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.scenario.quantities import format_size
from simfs.replay.scenario.tables import Scenario
from simfs.store.format.config import CLEANERS
from simfs.study.advice.idea import Idea

RESERVE_MORE_BLOCKS = 2
BLOCK_BYTES_MIN, BLOCK_BYTES_MAX = 1024, 128 << 10


def of_store(scenario: Scenario) -> Iterator[Idea]:
    """What could be set otherwise. What does not fit the chip shows when it is run."""
    store = scenario.store
    if store.log_heads == 1:
        yield Idea("two log heads", ((("store", "log_heads"), 2),), "one block more stays open")
    for cleaner in CLEANERS:
        if cleaner not in (store.cleaner, "random"):
            yield Idea(f"cleaner {cleaner}", ((("store", "cleaner"), cleaner),))
    if not store.idle_cleaning:
        yield Idea("cleaning while idle", ((("store", "idle_cleaning"), True),), "the device has to stay awake for it")
    if store.level_threshold == 0:
        yield Idea("wear levelling", ((("store", "level_threshold"), 8),))
    reserve = (store.reserve_blocks or 3) + RESERVE_MORE_BLOCKS
    yield Idea(
        f"a reserve of {reserve} blocks", ((("store", "reserve_blocks"), reserve),),
        f"{RESERVE_MORE_BLOCKS} blocks less for files",
    )  # fmt: skip
    yield from _of_size(scenario)


def _of_size(scenario: Scenario) -> Iterator[Idea]:
    """A larger store, or erase blocks of another size where the chip is not a given part."""
    store, chip = scenario.store, scenario.chip
    if store.size is not None and not scenario.region:
        yield Idea(
            f"a store of {format_size(2 * store.size)}", ((("store", "size"), format_size(2 * store.size)),),
            f"{format_size(store.size)} more of the chip",
        )  # fmt: skip
    if chip.part is None and chip.block is not None:
        for block_bytes in (chip.block // 2, 2 * chip.block):
            if BLOCK_BYTES_MIN <= block_bytes <= BLOCK_BYTES_MAX:
                size = format_size(block_bytes)
                yield Idea(f"erase blocks of {size}", ((("chip", "block"), size),), "another chip, with the same times")
