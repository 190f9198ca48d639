"""What cuts and pulls leave on flash and card; and bugs of a store on both that the campaign has to see."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs.cli import commands
from simfs.files.both.buffer import Buffer
from simfs.files.both.notes import Notes
from simfs.replay.play import play
from simfs.replay.scenario.load import parse_scenario
from simfs.study.both_cuts.calls import BothHistory, BothRecorder
from simfs.study.both_cuts.campaign import (
    CARD_OUT,
    POWER_IN_CARD,
    POWER_IN_FLASH,
    BothCampaign,
    Place,
    campaign,
    places_of,
    states,
)
from simfs.study.both_cuts.report import both_cut_report
from tests.replay.scenario.test_both import SOUND

BUFFER = SOUND.replace("{hour}", "day").replace('"6 h"', '"4 h"').replace('"10 min"', '"20 min"')
MIRROR = BUFFER.replace('role = "buffer"\ndrained = "/log/"', 'role = "mirror"')


def history_of(text: str) -> BothHistory:
    recorder = BothRecorder()
    play(parse_scenario(text.encode(), "two.toml"), "two.toml", observers=[recorder])
    return recorder.history("two")


def drains(history: BothHistory, most: int = 2) -> list[Place]:
    """Every change of the last drains."""
    numbers = [number for number, deed in enumerate(history.deeds) if deed.operation == "bring"][-most:]
    return [place for place in places_of(history, None, 0)[1] if place.deed in numbers]


def found(history: BothHistory, places: list[Place]) -> BothCampaign:
    assert places
    return campaign(history, places)


@pytest.mark.parametrize("text", [BUFFER, MIRROR])
def test_nothing_is_lost_where_no_sector_is_torn_and_nothing_is_there_twice(text: str) -> None:
    history = history_of(text)
    result = found(history, drains(history) or places_of(history, 20, 1)[1])
    assert {event for event, _ in result.tallies} == {POWER_IN_FLASH, POWER_IN_CARD, CARD_OUT}
    for (event, within), tally in result.tallies.items():
        assert tally.repeating == 0
        if not within or event == POWER_IN_FLASH or text == MIRROR:
            assert (tally.losing, tally.losing_after) == (0, 0), (event, within)


def test_a_torn_sector_of_a_buffer_costs_what_it_held_before() -> None:
    history = history_of(BUFFER)
    torn = [state for state in states(history, drains(history, 1)) if state.within and state.event == CARD_OUT]
    assert any(state.after for state in torn)
    assert all(set(state.after) <= {"/log/day.csv"} for state in torn)
    assert max(sum(state.after.values()) for state in torn) <= 9 * 12, "what was on the card before the drain"


def test_a_mirror_that_is_behind_is_made_whole_again() -> None:
    history = history_of(MIRROR.replace('lasts = "1 h"', 'lasts = "90 m"'.replace("90 m", "90 min")))
    result = found(history, places_of(history, 24, 3)[1])
    assert result.worst is None


def test_the_same_places_are_drawn_again_and_half_of_them_are_on_the_card() -> None:
    history = history_of(BUFFER)
    count, drawn = places_of(history, 20, 3)
    assert (count, drawn) == places_of(history, 20, 3)
    assert drawn != places_of(history, 20, 4)[1]
    assert sum(place.on_card for place in drawn) == 10
    assert len(set(drawn)) == 20
    assert len(places_of(history, 10**6, 0)[1]) == count


def test_a_drain_without_its_note_is_seen_to_repeat(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Notes, "put", lambda self, line: None)
    history = history_of(BUFFER)
    result = found(history, drains(history, 1))
    assert sum(tally.repeating for tally in result.tallies.values()) > 0
    report = both_cut_report(history, result, history.start, source="", kind="scenario", changes=99, seed=0)
    assert report.broken
    assert report.repeats > 0


def test_a_drain_that_removes_too_early_is_seen_to_lose(monkeypatch: pytest.MonkeyPatch) -> None:
    def too_early(self: Buffer, name: str) -> None:
        with self.flash.open(name) as source:
            data = source.read()
        self.flash.remove(name)
        with self.card.open(name, "a") as target:
            target.write(data or b"")

    monkeypatch.setattr(Buffer, "_append_to_card", too_early)
    monkeypatch.setattr(Buffer, "_done", lambda self: None)
    history = history_of(BUFFER)
    bring = next(number for number, deed in enumerate(history.deeds) if deed.operation == "bring")
    places = [place for place in places_of(history, None, 0)[1] if place.deed == bring and place.on_card]
    untorn = [state for state in states(history, places) if not state.within and state.event == POWER_IN_CARD]
    assert any(state.lost for state in untorn)


@pytest.mark.parametrize(
    ("text", "options", "status", "said"),
    [
        (BUFFER, ["--sample", "4"], 0, "at 4 of them drawn with seed 0"),
        (MIRROR, ["--sample", "4", "--seed", "2"], 0, "A torn sector costs nothing either."),
        (BUFFER, ["--sample", "4", "--json"], 0, '"loses_untorn": 0'),
        (BUFFER, ["--every", "bit"], 2, "a card writes a sector whole"),
        (BUFFER, ["--lives", "1"], 2, "--lives: it is for a store on flash, and this one is on flash and card"),
        (BUFFER, ["--depth", "2"], 2, "--depth: it is for a store on flash"),
    ],
)  # fmt: skip
def test_the_command(text: str, options: list[str], status: int, said: str, tmp_path: Path) -> None:
    path = tmp_path / "two.toml"
    path.write_text(text)
    result = CliRunner().invoke(commands, ["cuts", str(path), *options])
    assert (result.exit_code, said in result.output) == (status, True), result.output
    assert "--json" in options or all(len(line) <= 100 for line in result.stdout.splitlines())
    assert len(result.stderr.splitlines()) <= 1
