"""The verdict of hand-built runs: dates, what ends first, what was not expected, what to do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR
from simfs.replay.device.notes import NameFault, Refusal, TaskTally
from simfs.show.verdict import verdict_of
from simfs.study.run.expect import judge
from simfs.study.run.figures import Outlook
from simfs.study.run.measure import figures
from tests.support.hand_built import MS, hand_built_run

NO_ROOM = Refusal("gauge", "append", "/{date}.csv", "ENOSPC", 38_058, 3 * NS_PER_DAY)


def told(ahead: dict[str, Any] | None = None, **changes: Any) -> str:
    """The verdict of the run, which began on 2031-04-05 and lasted ten days, with what comes after it."""
    run = hand_built_run(**changes)
    taken = figures(run)
    outlook = Outlook(None, False, False, 0, 3000, 0, taken.life)
    return verdict_of(replace(taken, outlook=replace(outlook, **(ahead or {}))), judge(run, taken))


def test_all_is_well() -> None:
    assert told() == (
        "The files fit: they take 6.7 % of the room at most, and they grow no more. "
        "The flash lasts over 1,000 years at this pace."
    )


def test_a_block_that_reaches_its_rated_cycles_in_the_run() -> None:
    run = hand_built_run()
    taken = figures(run)
    assert taken.life is not None
    worn = replace(taken, life=replace(taken.life, hottest_ns=0, rated_cycles=10))
    text = verdict_of(worn, judge(run, worn))
    assert "The flash is worn: a block has had its rated 10 erases before the run ends." in text


def test_a_run_too_short_to_see_the_files_grow() -> None:
    assert told({"telling_ns": 155 * NS_PER_DAY}) == (
        "The files fit: they take 6.7 % of the room at most, and they do not grow as far as this run shows; one of "
        "155 days would be sure. The flash lasts over 1,000 years at this pace."
    )


def test_nothing_done_and_all_refused() -> None:
    assert told(tasks={}).startswith("Nothing was done to the files, so this run tells nothing of them.")
    later = {"full_ns": 40 * NS_PER_DAY, "carried_on_ns": NS_PER_DAY, "grows": True}
    assert told(later, tasks={}).startswith("The files fit until 2031-05-15"), "the first task runs after the end"
    too_long = Refusal("gauge", "append", "/{date}.csv", "ENAMETOOLONG", 1000, 3 * NS_PER_DAY)
    assert told(refusals=[too_long]).startswith(
        "Whether the files fit is not known: all that was done to them was refused. "
    )
    assert told(refusals=[replace(too_long, count=999)]).startswith("The files fit: ")


def test_a_host_may_be_quicker_than_the_device() -> None:
    run = hand_built_run()
    taken = figures(run)
    short = replace(taken, subject=replace(taken.subject, kind="recording", duration_ns=3 * 10**9))
    assert "at the pace of this recording of 3 s" in verdict_of(short, ())
    assert "It lasts longer where the device takes longer for that work than a host (--takes)." in verdict_of(short, ())
    long = replace(short, subject=replace(short.subject, duration_ns=NS_PER_DAY))
    assert "years at this pace. " in f"{verdict_of(long, ())} "


def test_full_at_once() -> None:
    text = told({"full_ns": 0}, refusals=[replace(NO_ROOM, first_at_ns=0)])
    assert text.startswith("The files do not fit: the store is full right at the start. ")


def test_full_later() -> None:
    assert told({"full_ns": 40 * NS_PER_DAY, "carried_on_ns": NS_PER_DAY, "grows": True}) == (
        "The files fit until 2031-05-15, 40 days after the start: then the store is full unless files go "
        "(seen by carrying the run on). The flash lasts over 1,000 years at this pace; room ends first. "
        "Remove old files in time (`keep`), write less, or give the store more blocks."
    )


def test_full_at_the_pace_of_the_run() -> None:
    text = told({"full_ns": 5 * NS_PER_YEAR, "is_projected": True, "grows": True})
    assert text.startswith("The files fit for now: at the pace of this run the store is full about 2036-04-04, 5 years")
    assert "about 2051," in told({"full_ns": 20 * NS_PER_YEAR, "is_projected": True})


def test_full_in_the_run() -> None:
    assert told({"full_ns": 3 * NS_PER_DAY}, refusals=[NO_ROOM]) == (
        "The files do not fit: the store is full on 2031-04-08, 3 days after the start. "
        "The flash lasts over 1,000 years at this pace; room ends first. "
        "38,058 of 1,000 operations were refused, which the scenario does not expect. "
        "Remove old files in time (`keep`), write less, or give the store more blocks."
    )


def test_refusals_on_purpose() -> None:
    text = told({"full_ns": 3 * NS_PER_DAY}, refusals=[NO_ROOM], expect={"refused_max": 40_000})
    assert text.startswith("The store is full on 2031-04-08, 3 days after the start, and refuses no more than")
    assert "Remove" not in text


def test_wear_first() -> None:
    life = figures(hand_built_run()).life
    assert life is not None
    run = hand_built_run()
    taken = figures(run)
    seen = Outlook(9 * NS_PER_YEAR, False, True, 0, 3000, NS_PER_DAY, life)
    worn = replace(taken, life=replace(life, hottest_ns=NS_PER_YEAR), outlook=seen)
    text = verdict_of(worn, ())
    assert "The files fit until 2040-" in text
    assert "at this pace, until about 2032-04-14; wear ends first." in text


@pytest.mark.parametrize(
    ("changes", "surprise", "advice"),
    [
        (
            {"duration_ns": 5870 * MS, "asked_ns": 100 * MS},
            "The device asks for more than its flash can do: the work of 100 ms takes 5.87 s.",
            "Ask for less, ",
        ),
        (
            {"tasks": {"gauge": TaskTally("gauge", lost_records=4)}},
            "4 gathered records got lost in RAM at a boot.",
            "Write what is gathered before a boot",
        ),
        ({"name_faults": [NameFault("/long", "too long", "refused")]}, "Names break.", "Shorten the names"),
        ({"expect": {"life_min": 2000 * NS_PER_YEAR}}, "Not met: life_min.", "Write less"),
        ({"expect": {"mount_max": 1}}, "Not met: mount_max.", "The rows with ! say more."),
    ],
)
def test_what_was_not_expected(changes: dict[str, Any], surprise: str, advice: str) -> None:
    text = told(**changes)
    assert surprise in text
    assert text.endswith(text[text.index(advice) :])
    assert text.index(surprise) < text.index(advice)


def test_a_store_that_the_next_mount_cannot_write() -> None:
    run = hand_built_run()
    for name, text in (("/a", b"harbour"), ("/b", b"quay")):
        with run.store.open(name, "w") as file:
            file.write(text)
    run.flash.program(run.flash.image().index(b"harbour"), b"\0")
    taken = figures(run)
    text = verdict_of(taken, judge(run, taken))
    assert "The next mount finds a store that can't be written. `simfs image explain` tells what damaged it." in text
