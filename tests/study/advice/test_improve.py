"""What `improve` tries, what it claims, and that each figure is that of a run."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from simfs.replay.scenario.load import parse_scenario
from simfs.replay.scenario.remarks import remarks
from simfs.show.advice.toml_change import changed_text
from simfs.study.advice.idea import Idea, together, with_changes
from simfs.study.advice.improve import AIMS, Advice, CannotImprove, Tried, improve
from simfs.study.advice.of_store import of_store
from simfs.study.advice.of_tasks import of_tasks
from simfs.study.advice.risk import readings_at_risk
from simfs.study.compare import run_changed
from simfs.study.pools import Here

LOGGER = """
[chip]
size = "64 KiB"   # small
block = "4 KiB"
[run]
duration = "3 d"
[values.level]
mean = 4.2
decimals = 2
[[task]]
name = "level"
every = "30 min"
operations = [{ do = "append", file = "/{date}.csv", text = "{time},{level}\\n", keep = 2 }]
[expect]
energy_mj_per_day_max = 4
"""
SETTINGS = """
[chip]
size = "12 KiB"
block = "1 KiB"
page = "64 B"
[run]
duration = "6 h"
[[task]]
name = "dial"
every = "30 min"
operations = [{ do = "write", file = "/dial.ini", text = "[dial]\\nturned={time}\\nvolume=3\\n" }]
"""
FILLING = SETTINGS.replace('write"', 'append"').replace("/dial.ini", "/{hour}.ini")


@cache
def advice(text: str, aim: str = "") -> Advice:
    with TemporaryDirectory() as directory:
        path = Path(directory, "device.toml")
        path.write_text(text)
        return improve(path, aim=aim, executor=Here())


def ideas(text: str, full_ns: int | None = None) -> dict[str, Idea]:
    scenario = parse_scenario(text.encode(), "device.toml")
    found = [*of_tasks(scenario, tomllib.loads(text), full_ns), *of_store(scenario)]
    return {idea.name: idea for idea in found}


def named(found: Advice, name: str) -> Tried:
    (one,) = (one for one in (*found.better, *found.rest) if one.idea.name == name)
    return one


def test_gathering_and_binary_records_are_tried_where_texts_are_appended() -> None:
    found = ideas(LOGGER)
    assert found["gather 10 of level"].changes == ((("task", 0, "operations", 0, "gather"), 10),)
    assert found["gather 10 of level"].is_about_cuts
    assert found["gather 10 of level"].price.startswith("costs durability: up to 9 readings")
    # four for the time and two for 4.20, which fits 16 bits as 420
    assert dict(found["records of 6 B in level"].changes)["task", 0, "operations", 0, "size"] == "6 B"
    assert "records of 6 B in level" not in ideas(LOGGER.replace("{time},{level}\\n", "{level}"))  # 4 bytes as it is
    assert not any("gather" in name for name in ideas(LOGGER.replace(", keep = 2", ", keep = 2, gather = 3")))


def test_no_more_readings_are_gathered_than_go_to_one_file_in_the_run() -> None:
    def gathered(text: str) -> list[str]:
        return [name for name in ideas(text) if name.startswith("gather")]

    assert gathered(LOGGER) == ["gather 10 of level", "gather 18 of level"]
    assert gathered(LOGGER.replace("30 min", "2 h")) == ["gather 10 of level"]  # 12 a day
    assert gathered(LOGGER.replace("30 min", "4 h")) == []
    in_one = LOGGER.replace("/{date}.csv", "/all.csv").replace(", keep = 2", "")
    assert gathered(in_one.replace("30 min", "4 h")) == ["gather 10 of level", "gather 18 of level"]
    assert gathered(in_one.replace("30 min", "1 d")) == []


def test_a_reading_that_does_not_fit_16_bits_takes_32() -> None:
    assert "records of 8 B in level" in ideas(LOGGER.replace("mean = 4.2", "mean = 400"))
    assert "records of 6 B in level" in ideas(LOGGER.replace("mean = 4.2", "mean = 327"))


def test_files_are_kept_in_time_where_the_store_fills_up() -> None:
    day_ns = 86_400 * 10**9
    daily = LOGGER.replace(", keep = 2", "")
    assert "keep 8 files of level" in ideas(daily, 10 * day_ns)
    assert not any("keep" in name for name in ideas(daily))
    assert "keep 1 file of level" in ideas(LOGGER)


def test_ideas_that_change_the_same_do_not_go_together() -> None:
    found = ideas(LOGGER)
    ten, page = (idea for name, idea in found.items() if name.startswith("gather"))
    assert not ten.goes_with(page)
    assert ten.goes_with(found["records of 6 B in level"])
    both = together([ten, found["two log heads"]])
    assert both.changes == ten.changes + found["two log heads"].changes
    assert both.price == f"{ten.price}; {found['two log heads'].price}"


def test_each_figure_is_that_of_a_run(tmp_path: Path) -> None:
    path = tmp_path / "device.toml"
    path.write_text(LOGGER)
    one = named(advice(LOGGER), "two log heads")
    side = run_changed(path, "store.log_heads=2")
    assert one.variant.summary is not None
    assert one.variant.summary.energy_a_day_nj == side.figures["energy_a_day_nj"]
    assert one.variant.summary.life_ns == side.figures["life_ns"]


def test_the_best_come_first_and_together() -> None:
    found = advice(LOGGER, "energy")
    gains = [one.gain for one in found.better]
    assert gains == sorted(gains, reverse=True)
    assert min(gains) >= 1.01
    assert found.better[0].idea.name.startswith("gather")
    assert " + records of 6 B in level" in found.better[0].idea.name
    first, second = found.as_it_is.variant.summary, found.better[0].variant.summary
    assert first is not None
    assert second is not None
    assert found.better[0].gain == (first.energy_a_day_nj or 0) / (second.energy_a_day_nj or 1)


def test_what_breaks_an_expectation_is_no_advice() -> None:
    found = advice(LOGGER)
    broken = [one for one in (*found.better, *found.rest) if one.variant.unmet]
    assert [one.idea.name for one in broken] == ["cleaning while idle", "erase blocks of 2 KiB"]
    assert [(one in found.rest, one.gain) for one in broken] == [(True, 0)] * 2


def test_writing_anew_takes_fewer_readings_at_a_cut() -> None:
    found = advice(SETTINGS)
    one = named(found, "write dial anew and rename")
    assert found.as_it_is.at_risk is not None
    assert found.as_it_is.at_risk > 0
    assert (one.at_risk, one.is_safer) == (0, True)
    assert one in found.better


def test_readings_that_wait_are_at_risk() -> None:
    table = tomllib.loads(LOGGER)
    gathered = with_changes(table, ideas(LOGGER)["gather 10 of level"].changes)
    assert (readings_at_risk(table), readings_at_risk(gathered)) == (1, 10)


def test_the_aim_is_what_ends_the_device_first() -> None:
    assert advice(LOGGER).aim == "energy"
    assert advice(FILLING).aim == "room"
    assert advice(SETTINGS.replace("[run]", "rated_cycles = 50\n[run]")).aim == "life"
    assert advice(SETTINGS + '[expect]\nwrite_stall_max = "1 ms"\n').aim == "longest-write"
    assert set(AIMS) == {"room", "life", "longest-write", "energy"}


def test_a_card_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "device.toml"
    path.write_text(
        '[store]\nkind = "card"\n' + LOGGER.replace('[chip]\nsize = "64 KiB"   # small\nblock = "4 KiB"', "")
    )
    with pytest.raises(CannotImprove, match="for a store on flash only"):
        improve(path, executor=Here())


def test_a_change_is_worked_into_the_text_and_comments_stay(tmp_path: Path) -> None:
    pytest.importorskip("tomlkit", reason="needs tomlkit: pip install 'simfs[improve]'")
    for text in (LOGGER, SETTINGS, FILLING):
        for idea in ideas(text, 10**18).values():
            done = changed_text(text, idea.changes)
            changed = with_changes(tomllib.loads(text), idea.changes)
            assert tomllib.loads(done) == {key: value for key, value in changed.items() if value != {}}
            into = tmp_path / "device.toml"
            into.write_text(done)
            told = remarks(parse_scenario(done.encode(), "device.toml"), into)
            assert not [one for one in told if one.path.startswith("values")], "no reading is left that nothing writes"
            assert ("# small" in done) == ("# small" in text)
