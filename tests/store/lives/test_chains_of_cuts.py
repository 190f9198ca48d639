"""A battery that sags cuts the power again and again, in work and in recovery alike. All that was acknowledged stays,
the store is neither refused nor read-only, and a second mount writes nothing."""

from __future__ import annotations

import pytest

from tests.store.lives.settings import SETTINGS, live, taken

CUTS = 50

# setting, amount of data, most programs between cuts, seed
LIVES = [
    ("one head", "some", 60, 8), ("one head", "little", 12, 8),
    ("one head, pages", "some", 12, 4), ("one head, pages", "some", 60, 7),
    ("one head, idle cleaning", "some", 12, 2), ("one head, idle cleaning", "some", 60, 3),
    ("one head, units of 16", "some", 30, 20),
    ("one head, eight programs a page", "some", 12, 3), ("one head, eight programs a page", "too much", 12, 2),
    ("two heads", "some", 60, 2), ("two heads", "too much", 60, 4),
    ("two heads, units of 8", "some", 12, 1), ("two heads, units of 8", "some", 60, 2),
    ("two heads, idle cleaning", "some", 12, 8), ("two heads, idle cleaning", "some", 60, 1),
    ("two heads, pages", "some", 60, 2), ("two heads, pages", "some", 60, 3),
]  # fmt: skip
WITH_WHOLE_RECOVERIES = [
    ("two heads", "some", 60, 9), ("two heads", "some", 60, 8),
    ("two heads, pages", "little", 60, 0), ("two heads, pages", "little", 60, 6),
]  # fmt: skip


@pytest.mark.parametrize(("setting", "amount", "programs_max", "seed"), LIVES)
def test_a_store_outlives_cuts_in_work_and_in_recovery(setting: str, amount: str, programs_max: int, seed: int) -> None:
    life = live(setting, amount, programs_max, seed, cuts=CUTS)
    assert 0 < life.cuts_in_recovery < life.cuts


@pytest.mark.parametrize(("setting", "amount", "programs_max", "seed"), WITH_WHOLE_RECOVERIES)
def test_a_store_of_two_heads_outlives_cuts_when_every_recovery_is_complete(
    setting: str, amount: str, programs_max: int, seed: int
) -> None:
    """A cut may come right after a block has been opened, when others have been erased since the last one was."""
    live(setting, amount, programs_max, seed, cuts=CUTS, whole=True)


def test_most_settings_are_taken() -> None:
    """Those that a store refuses are skipped above."""
    assert len([*taken()]) >= len(SETTINGS) - 1
