"""Formatting is one step, also over another store, also when the power is cut in it or a block can't be erased. Row 21
of the goals tries it at every byte."""

from __future__ import annotations

import pytest

from simfs.study.cuts.notes.cut_point import CutPoint
from tests.goals.rows.formats import (
    SIZES,
    changes_of,
    config_of,
    cut_format,
    format_again,
    judge,
    live_on,
    old_of,
    what_is_found,
)

PAIRS = [("one head", "two heads"), ("two heads", "one head"), ("pages", "other settings"), ("damaged", "one head")]


@pytest.mark.parametrize(("old_name", "new_name"), PAIRS)
def test_a_format_that_is_cut_leaves_the_old_store_or_the_new_one_or_none(old_name: str, new_name: str) -> None:
    old = old_of(old_name)
    config, count = config_of(new_name, old), len(changes_of(old_name, new_name))
    assert count >= 3
    for number in range(count):
        leaves = ("nothing", "all")[number % 2]
        what_is_found(old, config, cut_format(old, config, (), CutPoint(number, leaves)), seed=number)


@pytest.mark.parametrize(("old_name", "new_name"), PAIRS)
def test_after_a_cut_format_another_one_gives_a_store_that_keeps_all(old_name: str, new_name: str) -> None:
    """A block may read blank and yet be weak, because its erase was cut at the very end."""
    old = old_of(old_name)
    config = config_of(new_name, old)
    for number, length in enumerate(changes_of(old_name, new_name)):
        if length == 0:
            life = cut_format(old, config, (), CutPoint(number, "all"))
            live_on(format_again(config, life, reading=(False,) * len(life.weak)))


@pytest.mark.parametrize("how", ["", " spent"])
@pytest.mark.parametrize("new_name", ["one head", "two heads", "pages"])
def test_an_old_block_that_cannot_be_erased_is_no_part_of_the_new_store(new_name: str, how: str) -> None:
    """A spent block can't be programmed either."""
    for block in range(SIZES["block_count"]):
        assert judge(f"two heads; {new_name}; block {block}{how}; none") == "new"
