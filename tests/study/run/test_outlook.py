"""What comes after a run: found by carrying on where that is cheap, projected from its pace elsewhere."""

from __future__ import annotations

import pytest

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.device.device import Run
from simfs.replay.play import play
from simfs.replay.player.telling import telling_ns
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
    assert not found.is_projected
    assert found.carried_on_ns > NS_PER_DAY
    assert taken.room.live_max_bytes < found.live_max_bytes


def test_where_that_would_take_long_the_room_is_projected(monkeypatch: pytest.MonkeyPatch) -> None:
    exact_ns = seen(scenario())[2].full_ns
    assert exact_ns is not None
    monkeypatch.setattr(outlook, "PROGRAMS_MAX", 1000)
    found = seen(scenario())[2]
    assert found.is_projected
    assert found.carried_on_ns < exact_ns
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


def task(every: str, *operations: dict[str, object], **keys: object) -> dict[str, object]:
    return {"name": "log", "every": every, "operations": list(operations), **keys}


def append(file: str, **keys: object) -> dict[str, object]:
    return {"do": "append", "file": file, "size": "300 B", **keys}


@pytest.mark.parametrize(
    "seldom",
    [
        task("7 d", append("/y{year}", keep=5)),
        task("1 h", append("/m{year}-{month}"), first="20 d"),
        task("1 d", append("/day{day}")),
        task("1 h", append("/{date}", gather=10)),
    ],
)
def test_a_run_too_short_to_see_the_files_grow_is_carried_on(seldom: dict[str, object]) -> None:
    of = scenario(chip={"size": "40 KiB"}, run={"duration": "1 h"}, task=[seldom], expect={})
    found = seen(of)[2]
    assert found.full_ns == pytest.approx(end_of_life(of, until="full").at_ns, rel=1e-6)
    assert (found.is_projected, found.telling_ns) == (False, 0)


def test_a_ring_is_told_once_it_has_been_written_all_around() -> None:
    make = {"do": "create", "file": "/ring", "size": "4 KiB", "only_if": "absent"}
    of = scenario(task=[task("6 h", make, {"do": "update", "file": "/ring", "size": "16 B"})])
    assert telling_ns(of) == (8 + 2 * 256) * NS_PER_DAY // 4


def test_names_that_were_removed_and_lie_about_do_not_fill_the_store() -> None:
    """They take room until the first cleaning, which comes long after this run."""
    kept = task("10 d", {"do": "write", "file": "/{date}", "text": "{time} on\n", "keep": 1})
    run, _, found = seen(scenario(run={"duration": "600 d"}, task=[kept], expect={}))
    assert run.store.removed_names_bytes > 1000
    assert run.room.growth(run.duration_ns, run.period_ns) is None
    assert (found.full_ns, found.grows) == (None, False)


YEARLY = {
    "chip": {"size": "2 MiB", "block": "32 KiB"},
    "store": {"size": "256 KiB"},
    "run": {"start": "2031-01-01", "duration": "30 d"},
    "task": [
        {"name": "year", "every": "1 d", "operations": [{"do": "append", "file": "/y{year}", "size": "2 KiB"}]},
        {"name": "day", "every": "4 h", "operations": [{"do": "write", "file": "/d/{date}", "size": "100 B"}]},
        {"name": "anew", "every": "7 d", "operations": [{"do": "write", "file": "/y{year}", "size": "600 B"}]},
    ],
}


def test_files_that_grow_slowly_beside_one_that_is_written_anew_each_week() -> None:
    of = scenario(**YEARLY)
    found = seen(of)[2]
    assert found.full_ns == pytest.approx(end_of_life(of, until="full").at_ns, rel=1e-6)


def test_such_growth_is_projected_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """What swings leaves as much room as at its most."""
    of = scenario(**{**YEARLY, "run": {"start": "2031-01-01", "duration": "150 d"}})
    monkeypatch.setattr(outlook, "PROGRAMS_MAX", 1)
    found = seen(of)[2]
    assert found.is_projected
    assert found.full_ns == pytest.approx(end_of_life(of, until="full").at_ns, rel=0.05)


def test_the_same_files_with_those_of_a_day_removed_in_time_fit() -> None:
    tasks = YEARLY["task"]
    assert isinstance(tasks, list)
    keeping = {**tasks[1], "operations": [{**tasks[1]["operations"][0], "keep": 20}]}
    found = seen(scenario(**{**YEARLY, "task": [tasks[0], keeping, tasks[2]]}))[2]
    assert (found.full_ns, found.grows, found.telling_ns) == (None, False, 0)


def test_a_run_that_would_take_long_to_tell_says_how_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outlook, "PROGRAMS_MAX", 1000)
    busy = task("1 min", {"do": "write", "file": "/state", "size": "20 B"})
    seldom = {**task("1 d", append("/{year}-{month}", keep=3)), "name": "summary"}
    found = seen(scenario(task=[busy, seldom], expect={}))[2]
    assert (found.full_ns, found.carried_on_ns) == (None, 0)
    assert found.telling_ns == (8 + 5 * 31) * NS_PER_DAY
