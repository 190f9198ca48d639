"""Hostile console logs are told or replayed, take no memory to speak of, and leave a sound store."""

from __future__ import annotations

import tracemalloc
from random import Random

from tests.hostile.inputs.consoles import hostile_console, judge_console, run_consoles


def test_hostile_consoles_are_refused_or_replayed() -> None:
    tally = run_consoles(150, seed=1)
    assert tally.violations == []
    assert tally.outcomes["refused"] > 10
    assert tally.outcomes["replayed"] > 40


def test_hostile_consoles_take_no_memory_to_speak_of() -> None:
    """A line of a few bytes may speak of 4 GiB."""
    for number in range(10):
        raw = hostile_console(Random(f"memory {number}"))
        tracemalloc.start()
        try:
            judge_console(raw)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert peak < 2 << 20, f"memory {number}"


def test_random_bytes_hold_nothing_to_replay() -> None:
    for number in range(20):
        raw = Random(number).randbytes(20_000)
        assert judge_console(raw, strict=True) == ("nothing to replay", None)
        assert judge_console(b"@fs1 1 1 " + raw)[1] is None
