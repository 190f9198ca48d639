"""The projection of life, by hand."""

from typing import Any

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR
from simfs.study.run.life_projection import Life, project


def life(**changes: Any) -> Life:
    """Four blocks of 4096 bytes rated for 1000 cycles, in a run of ten days."""
    known: dict[str, Any] = {
        "rated_cycles": 1000,
        "erase_counts": [4, 2, 2, 0],
        "erases_in_run": [4, 2, 2, 0],
        "holding": [True, True, False, False],
        "block_bytes": 4096,
        "host_bytes": 8192,
        "run_ns": 10 * NS_PER_DAY,
    }
    return project(**{**known, **changes})


def test_the_hottest_block_decides() -> None:
    # Block 0 was erased 4 times and filled after each: one filling in 2.5 days.
    # It has 1000 - 4 = 996 cycles left: 996 * 2.5 days.
    measured = life()
    assert measured.first_worn_block == 0
    assert measured.first_worn_fills == 4
    assert measured.hottest_ns == 996 * 5 * NS_PER_DAY // 2
    assert measured.hottest_years == 996 * 2.5 / 365.25


def test_even_wear_shares_the_fillings() -> None:
    # Fillings 4 + 2 + 2 + 0 = 8 in 10 days, one in 1.25 days; cycles left 996 + 998 + 998 + 1000 = 3992.
    assert life().even_ns == 3992 * 5 * NS_PER_DAY // 4


def test_floor_takes_the_devices_bytes_alone() -> None:
    # 8192 bytes in 10 days fill 2 blocks of 4096: one in 5 days. 3992 cycles left: 3992 * 5 days.
    assert life().floor_ns == 3992 * 5 * NS_PER_DAY


def test_cycles_spent_before_the_run_count() -> None:
    # Block 3 had 990 erases before and 1 in the run, and holds nothing: 9 left at one in 10 days, 90 days.
    measured = life(erase_counts=[4, 2, 2, 991], erases_in_run=[4, 2, 2, 1])
    assert (measured.first_worn_block, measured.hottest_ns) == (3, 90 * NS_PER_DAY)


def test_worn_out_already() -> None:
    assert life(erase_counts=[1001, 2, 2, 0]).hottest_ns == 0


def test_a_block_that_was_erased_before_the_run_counts_as_filled() -> None:
    # In year one both blocks were filled once, and the erase of block 0 was the format's. By erases of the run alone
    # block 0 would last for ever; by fillings each is used once a year: 99 years, and together twice.
    measured = life(
        rated_cycles=100, erase_counts=[1, 1], erases_in_run=[0, 1], holding=[True, True], run_ns=NS_PER_YEAR
    )
    assert (measured.hottest_years, measured.even_years) == (99, 99)
    assert (measured.first_worn_block, measured.first_worn_fills) == (0, 1)


def test_without_an_erase_the_run_cannot_say() -> None:
    # One block of four used in 10 days: 40 days to use all of them once.
    measured = life(erase_counts=[0] * 4, erases_in_run=[0] * 4, holding=[True, False, False, False])
    assert measured.unused_blocks == 3
    assert measured.hottest_ns is None
    assert measured.even_years is None
    assert measured.run_longer_ns == 40 * NS_PER_DAY
    assert measured.floor_ns == 4000 * 5 * NS_PER_DAY  # nothing erased: 4 * 1000 cycles left


def test_when_every_block_was_used_no_longer_run_is_asked_for() -> None:
    assert life().run_longer_ns == 10 * NS_PER_DAY * 4 // 3
    assert life(erases_in_run=[4, 2, 2, 1]).run_longer_ns is None


def test_nothing_written_and_no_time() -> None:
    assert life(host_bytes=0).floor_ns is None
    assert life(run_ns=0).hottest_ns is None
