"""The power goes at any program or erase of small stores, again during the recovery, and weak cells read anew.

Exhaustive only for what each test names; the fault profile is "program-contained". No real chip is tested.
"""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest
from power_cuts import Cut, all_cuts, violations
from power_story import Call, Setting, Story, random_calls, tell

BYTE = {"buffer_bytes": 32, "name_bytes": 12}
SMALL = {"block_count": 6, "block_bytes": 512, "page_bytes": 64}
WIDE = {"block_count": 6, "block_bytes": 1024, "page_bytes": 128}
SETTINGS = {
    "bytes": Setting(SMALL, BYTE),
    "two heads": Setting({**SMALL, "block_count": 8}, {**BYTE, "log_heads": 2}),
    "pages": Setting({**SMALL, "block_bytes": 1024}, {"name_bytes": 12, "packing": "page"}),
    "pages, two heads": Setting(
        {**SMALL, "block_count": 8, "block_bytes": 1024}, {"name_bytes": 12, "packing": "page", "log_heads": 2}
    ),
    "units of 8": Setting({**SMALL, "program_unit_bytes": 8}, BYTE),
    "units of 8, two heads": Setting(
        {**WIDE, "block_count": 8, "program_unit_bytes": 8}, {"buffer_bytes": 64, "name_bytes": 12, "log_heads": 2}
    ),
    "eight programs a page": Setting({**WIDE, "page_programs_max": 8}, {"buffer_bytes": 64, "name_bytes": 12}),
}
SHORT: list[Call] = [
    ("open", "a", "w"), ("write", "a", None, b"settings"), ("close", "a"),
    ("open", "b", "w"), ("write", "b", None, b"settings, newer"), ("close", "b"),
    ("rename", "b", "a"),
    ("open", "a", "r+"), ("write", "a", 40, b"behind a gap"), ("flush", "a"), ("close", "a"),
    ("truncate", "a", 3), ("remove", "a"),
]  # fmt: skip


def sample(story: Story, seed: int, count: int, changes: int) -> list[Cut]:
    """Cuts in the last changes of a story, every erase among them."""
    cuts = list(all_cuts(story, max(0, len(story.changes) - changes)))
    erases = [cut for cut in cuts if story.changes[cut.at].data is None]
    return erases[: count // 3] + Random(seed).sample(cuts, min(count, len(cuts)))


def assert_sound(story: Story, cuts: list[Cut], second: bool = False) -> None:
    count, broken = violations(story, cuts, second, most=3)
    assert not broken, "\n".join(f"{cut} of {len(story.changes)} changes: {text}" for cut, text in broken)
    assert count == len(cuts) > 0


@pytest.mark.parametrize("setting", SETTINGS)
def test_every_byte_of_a_short_story(setting: str) -> None:
    story = tell(SETTINGS[setting], SHORT)
    assert_sound(story, [cut for cut in all_cuts(story, dense=True) if cut.seed % 8 == 0])


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_store_at_work(setting: str) -> None:
    story = tell(SETTINGS[setting], random_calls(Random(1), 200))
    kinds = Counter("erase" if change.data is None else "program" for change in story.changes)
    assert kinds["erase"] >= 2
    assert_sound(story, sample(story, 1, 40, 80))


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_second_cut_in_the_recovery(setting: str) -> None:
    story = tell(SETTINGS[setting], random_calls(Random(2), 200))
    assert_sound(story, sample(story, 2, 10, 80), second=True)


@pytest.mark.slow
@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("seed", range(10, 30))
def test_many_stores_at_work(setting: str, seed: int) -> None:
    story = tell(SETTINGS[setting], random_calls(Random(seed), 120))
    assert_sound(story, sample(story, seed, 600, 120), second=seed % 2 == 0)
