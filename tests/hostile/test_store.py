"""Hostile names and rotten bits, a sample of each; the goals table takes them all."""

from __future__ import annotations

import pytest

from tests.hostile.inputs.flips import BITS, rotting_store, run_flips
from tests.hostile.inputs.names import run_names


@pytest.mark.parametrize("writable", [False, True])
def test_a_rotten_bit_is_reported_or_does_not_matter(writable: bool) -> None:
    """Every 503rd bit: all bytes of a frame and all bits of a byte are met."""
    tally = run_flips(503, first=11 * writable, writable=writable)
    assert tally.violations == []
    assert tally.cases > BITS // 504
    assert tally.outcomes["told"] > 150
    assert tally.outcomes["exact"] > 3


def test_only_the_newest_frame_can_seem_torn() -> None:
    """All of its bits: what is published, and nothing beyond it, comes back as it was before that frame."""
    newest = rotting_store().newest
    found = run_flips(1, first=newest.start * 8, last=newest.stop * 8)
    assert found.violations == []
    assert found.outcomes["published"] > found.cases // 3


def test_hostile_names_are_taken_or_refused_and_shown_as_text() -> None:
    tally = run_names(2000, seed=1)
    assert tally.violations == []
    assert tally.cases == 2000
    assert all(tally.outcomes[outcome] > 50 for outcome in ("taken", "ValueError", "ENOENT", "ENAMETOOLONG"))
