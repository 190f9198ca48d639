"""The lives of row 19: what is drawn from a seed, and that a life is the same when it is lived again."""

from __future__ import annotations

import pytest

from simfs import Store
from tests.goals.long_lives.calls import given, sensible
from tests.goals.long_lives.settings import draw, parse_values
from tests.goals.rows.lives import lived, lived_again, parts, shortest
from tests.goals.truth import TrueFile, Truth

SOUND = "log_heads=1 packing=byte program_unit_bytes=1 page_programs_max=0 failing=0 reformats=0"


def test_a_life_is_the_same_again_and_so_are_its_sessions() -> None:
    first, again = lived(1, 12), lived(1, 12)
    assert first.sessions == again.sessions
    assert first.life.flash.image() == again.life.flash.image()
    assert lived_again(first.setting, 1, first.sessions) is None
    assert first.sessions == again.sessions, "with the same changes in each call"


def test_values_are_taken_in_place_of_those_drawn() -> None:
    setting, _ = draw(3, parse_values("log_heads=2 packing=page buffer_bytes=None"))
    assert (setting.config.log_heads, setting.config.packing, setting.config.buffer_bytes) == (2, "page", None)
    with pytest.raises(ValueError, match="'heads=2' is no setting"):
        parse_values("heads=2")


def test_settings_that_no_store_can_have_are_counted_and_drawn_anew() -> None:
    assert sum(draw(seed, {})[1] for seed in range(30)) > 0
    with pytest.raises(ValueError, match="no store can be formatted"):
        draw(0, {"block_count": 1})


@pytest.mark.parametrize(
    ("seed", "cuts"),
    [
        (80030, 156),
        (80161, 30),
        (95042, 30),
        (105088, 116),
        (115083, 111),
        (200103, 14),
        (200358, 32),
        (600145, 134),
        (600078, 148),
        (610524, 120),
        (610526, 52),
        (6250002, 189),
        (630705, 50),
        (630717, 179),
        (6280263, 141),
        (631187, 143),
        (7200477, 131),
    ],
)
def test_lives_that_once_could_not_go_on_do(seed: int, cuts: int) -> None:
    """With one dead block left, full of the names of removed files, behind a NEXT that two cuts left weak, with nothing
    moved before a statement that a cut has left unsure, behind zeros that look like a seal, in a block that only erased
    blocks told of, with a statement that returned behind the end of what counts, with a LEFT that was left weak once a
    named block was erased, with no dead block named behind a cleaning, with a DOUBTED that showed up when the statement
    was sure, with statements half killed behind a mark that a cut left weak, with that mark taken for a seal, and under
    one, with a statement half killed whose moved frames are gone, with one that was never sure, with an exchange that
    took a page less than there was."""
    found = lived(seed, cuts)
    assert found.violation is None
    assert found.life.counts["cuts"] >= cuts - 4


def test_a_life_goes_on_where_a_block_failed_once_frames_were_to_be_moved_there() -> None:
    found = lived(800040, 57, "failing=2 block_count=7 block_bytes=2048 page_bytes=128 gap=20 sags=30")
    assert found.violation is None
    assert found.life.counts["cuts"] == 56


def test_a_broken_store_is_found_and_its_life_shrunk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Store, "truncate", lambda store, name, size: None)
    seed = next(seed for seed in range(20) if lived(seed, 40, SOUND).violation is not None)
    found = lived(seed, 40, SOUND)
    short = shortest(found, seed, 300)
    assert short is not None
    assert sum(len(session.calls) for session in short) < sum(len(session.calls) for session in found.sessions)
    assert "truncate" in [call[0] for session in short for call in session.calls]


def test_calls_that_cannot_succeed_are_left_out() -> None:
    truth = Truth(64, files={"a": TrueFile()}, spelled={"a": "a"})
    assert sensible(("remove", "a"), truth, {})
    assert not sensible(("remove", "b"), truth, {})
    assert not sensible(("open", "b", "r+"), truth, {})
    assert sensible(("open", "b", "a"), truth, {})
    assert not sensible(("close", "a"), truth, {})


def test_the_longest_names_are_given_longer_where_the_store_cuts_them() -> None:
    config = draw(0, parse_values("overlong=cut name_bytes=8"))[0].config
    assert given(("rename", "longest", "b"), config) == ("rename", "longest, and more", "b")
    assert given(("open", "b", "w"), config) == ("open", "b", "w")


def test_few_cuts_go_to_short_lives() -> None:
    assert list(parts(90)) == ["seed 0; 40 cuts", "seed 1; 40 cuts", "seed 2; 10 cuts"]
    assert len(list(parts(1_000_000))) == 5000


def test_a_torn_statement_takes_no_page_from_the_one_behind_it() -> None:
    given = (
        "block_count=16 block_bytes=2048 page_bytes=128 program_unit_bytes=8 page_programs_max=0 cleaner=random "
        "choices=3 log_heads=1 packing=page buffer_bytes=200 level_threshold=8 idle_cleaning=False name_bytes=12 "
        "overlong=cut fold_case=True seed=618 profile=program-contained failing=0 reformats=0 gap=5 sags=10 weak=1"
    )
    assert lived(108, 14, given).violation is None
