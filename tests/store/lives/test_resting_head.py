"""A log head may rest for as long as it likes while the other one writes."""

from __future__ import annotations

from tests.goals.rows.numbers import rest

FRAMES = 66_000  # more than 16 bits can number


def test_a_store_mounts_and_goes_on_after_one_head_has_rested_for_66_thousand_frames() -> None:
    """Row 23 of the goals has a million."""
    assert rest("plain", FRAMES).frames > FRAMES
