"""The stores that live through power cuts: small, so that their blocks are cleaned and erased all the time."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from random import Random
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from tests.store.lives.power_cycles import Broken, Life, random_gap, some_work

TINY_BLOCKS = {"block_count": 12, "block_bytes": 512, "page_bytes": 64}
SMALL_BLOCKS = {"block_count": 12, "block_bytes": 1024, "page_bytes": 128}
LARGE_PAGES = {"block_count": 12, "block_bytes": 2048, "page_bytes": 256}
MANY_PAGES = {"block_count": 12, "block_bytes": 1024, "page_bytes": 64}
SHORT = {"buffer_bytes": 32, "name_bytes": 8}
SETTINGS: dict[str, tuple[dict[str, int], dict[str, Any]]] = {
    "one head": (TINY_BLOCKS, SHORT),
    "one head, pages": (MANY_PAGES, {"packing": "page", "name_bytes": 8}),
    "one head, idle cleaning": (SMALL_BLOCKS, {**SHORT, "idle_cleaning": True, "level_threshold": 1}),
    "one head, units of 16": ({**LARGE_PAGES, "program_unit_bytes": 16}, SHORT),
    "one head, eight programs a page": ({**SMALL_BLOCKS, "page_programs_max": 8}, {**SHORT, "buffer_bytes": 64}),
    "two heads": (TINY_BLOCKS, {**SHORT, "log_heads": 2}),
    "two heads, units of 8": ({**SMALL_BLOCKS, "program_unit_bytes": 8}, {**SHORT, "log_heads": 2}),
    "two heads, idle cleaning": (
        SMALL_BLOCKS, {**SHORT, "log_heads": 2, "idle_cleaning": True, "level_threshold": 0},
    ),
    "two heads, pages": (MANY_PAGES, {"packing": "page", "name_bytes": 8, "log_heads": 2}),
}  # fmt: skip
AMOUNTS = {  # of data
    "little": {"names": 3, "size_max": 40, "files_bytes_max": 60},
    "some": {"names": 6, "size_max": 150, "files_bytes_max": 300},
    "too much": {"names": 12, "size_max": 400, "files_bytes_max": 900},
}
CALLS_MAX = 400  # of a power cycle
CYCLES_PER_CUT = 10


def new_life(setting: str) -> Life:
    """Skips the test where the store does not take such blocks."""
    sizes, settings = SETTINGS[setting]
    try:
        return Life(sizes, StoreConfig(**settings))
    except ValueError as error:
        pytest.skip(f"no such store: {error}")


def live(
    setting: str, amount: str, programs_max: int, seed: int, *, cuts: int, whole: bool = False, judge_twice: bool = True
) -> Life:
    """A life of so many cuts, each less than `programs_max` programs after a power-on; with `whole`, none of them in a
    recovery. `judge_twice`: see `Life.cycle`."""
    random, life = Random(f"{setting} {seed}"), new_life(setting)
    calls = some_work(random, **AMOUNTS[amount])
    for _ in range(CYCLES_PER_CUT * cuts):
        if life.cuts >= cuts:
            return life
        some, gap = islice(calls, CALLS_MAX), random_gap(random, programs_max)
        if whole:
            life.cycle_after_recovery(some, gap)
        else:
            life.cycle(some, gap, judge_twice=judge_twice)
    raise Broken(f"a store that is always refused or never writes: {life.cuts} cuts in {CYCLES_PER_CUT * cuts} cycles")


def taken() -> Iterator[str]:
    """The settings that the store takes."""
    for setting, (sizes, settings) in SETTINGS.items():
        try:
            Store.format(NorFlash(**sizes), StoreConfig(**settings))
        except ValueError:
            continue
        yield setting
