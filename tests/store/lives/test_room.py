"""Cuts cost a store no room for good: one that holds little takes more after any number of them, and a full one can
always delete."""

from __future__ import annotations

import pytest

from tests.store.lives.settings import live

CUTS = 60

# setting, most programs between cuts, seed
NEARLY_EMPTY = [("one head", 12, 22), ("two heads", 60, 16), ("two heads, pages", 30, 35)]
FILLED = [
    ("one head", 30, 22), ("two heads", 30, 18), ("two heads, idle cleaning", 30, 16), ("two heads, pages", 30, 33),
]  # fmt: skip


@pytest.mark.parametrize(("setting", "programs_max", "seed"), NEARLY_EMPTY)
def test_a_store_with_little_in_it_is_never_read_only(setting: str, programs_max: int, seed: int) -> None:
    live(setting, "little", programs_max, seed, cuts=CUTS, judge_twice=False)


@pytest.mark.parametrize(("setting", "programs_max", "seed"), FILLED)
def test_a_full_store_can_delete_after_any_cuts(setting: str, programs_max: int, seed: int) -> None:
    """`power_cycles.work` takes no refusal of a removal; it takes those of writes for lack of room."""
    live(setting, "too much", programs_max, seed, cuts=CUTS, judge_twice=False)
