"""What comes after a run: found by carrying on where that is cheap, projected from its pace elsewhere."""

from __future__ import annotations

import pytest

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.device.device import Run
from simfs.replay.play import play
from simfs.replay.scenario.load import scenario_of
from simfs.replay.scenario.overrides import with_setting
from simfs.replay.scenario.tables import Scenario
from simfs.study.life.end_of_life import end_of_life
from simfs.study.run import outlook
from simfs.study.run.expect import judge
from simfs.study.run.figures import Figures, Outlook
from simfs.study.run.measure import figures
from simfs.study.run.outlook import with_outlook

LOG = {
    "chip": {"size": "64 KiB"},
    "run": {"duration": "2 d"},
    "task": [
        {"name": "log", "every": "10 min", "operations": [{"do": "append", "file": "/{date}", "size": "20 B"}]},
    ],
    "expect": {"life_min": "1 year"},
}


def scenario(**changes: object) -> Scenario:
    found = scenario_of({**LOG, **changes})
    assert isinstance(found, Scenario)
    return found


def seen(of: Scenario) -> tuple[Run, Figures, Outlook]:
    run = play(of, "log.toml")
    taken = with_outlook(run, figures(run))
    assert taken.outlook is not None
    return run, taken, taken.outlook


def test_a_store_that_grows_is_carried_on_until_it_is_full() -> None:
    of = scenario()
    run, taken, found = seen(of)
    assert not run.refusals
    assert run.duration_ns == 2 * NS_PER_DAY, "the run itself stays as it is"
    assert found.full_ns == pytest.approx(end_of_life(of, until="full").at_ns, rel=1e-6)
    assert (found.is_projected, found.ends_first) == (False, "room")
    assert found.carried_on_ns > NS_PER_DAY
    assert taken.room.live_max_bytes < found.live_max_bytes


def test_where_that_would_take_long_the_room_is_projected(monkeypatch: pytest.MonkeyPatch) -> None:
    exact_ns = seen(scenario())[2].full_ns
    assert exact_ns is not None
    monkeypatch.setattr(outlook, "PROGRAMS_MAX", 1000)
    found = seen(scenario())[2]
    assert (found.is_projected, found.carried_on_ns) == (True, 0)
    assert found.full_ns == pytest.approx(exact_ns, rel=0.15)


def test_a_recording_has_nothing_to_carry_on_and_is_projected() -> None:
    run = play(scenario(), "log.toml")
    run.go_on = None
    found = with_outlook(run, figures(run)).outlook
    assert found is not None
    assert (found.is_projected, found.carried_on_ns, found.grows) == (True, 0, True)


def test_a_life_that_the_run_cannot_tell_is_found_by_carrying_on() -> None:
    """Five hours write so little that no block is erased."""
    run, taken, found = seen(scenario(run={"duration": "5 h"}))
    assert taken.life is not None
    assert taken.life.hottest_ns is None
    assert taken.best_life == found.life
    assert found.worn_ns is not None
    (life_min,) = judge(run, taken)
    assert life_min.met
    assert life_min.measured is not None


def test_what_neither_grows_nor_is_unknown_is_not_carried_on() -> None:
    of = with_setting(LOG, ("task", 0, "operations", 0, "keep"), 3)
    found = scenario_of({**of, "run": {"duration": "60 d"}})
    assert isinstance(found, Scenario)
    run, taken, ahead = seen(found)
    assert (ahead.grows, ahead.full_ns, ahead.carried_on_ns) == (False, None, 0)
    assert ahead.ends_first == "wear"
    assert (ahead.life, taken.best_life) == (taken.life, taken.life)
    assert run.room.growth(run.duration_ns) is None


def test_files_that_level_off_after_the_run_fit() -> None:
    of = with_setting(LOG, ("task", 0, "operations", 0, "keep"), 5)
    ahead = seen(scenario(**of))[2]
    assert (ahead.full_ns, ahead.grows) == (None, False)
    assert ahead.carried_on_ns > 0


def test_a_store_that_refuses_in_the_run_was_full_then() -> None:
    run, _, found = seen(scenario(run={"duration": "90 d"}))
    assert found.full_ns == run.refusals[0].first_at_ns
    assert found.carried_on_ns == 0
