"""What the figures and the report say of a run on flash and card."""

from __future__ import annotations

import json

import pytest

from simfs.replay.device.device import Run
from simfs.replay.play import play
from simfs.replay.scenario.load import parse_scenario
from simfs.show.json import as_json
from simfs.show.rows.sections import all_sections
from simfs.show.text import as_text
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from simfs.study.run.outlook import with_outlook
from tests.replay.scenario.test_both import SOUND

OUT = "at = 2031-01-01 02:00:00"


def run_of(text: str) -> Run:
    return play(parse_scenario(text.encode(), "two.toml"), "two.toml")


def report(text: str) -> str:
    run = run_of(text)
    taken = with_outlook(run, figures(run))
    return as_text(taken, judge(run, taken))


MIRROR = SOUND.replace('role = "buffer"\ndrained = "/log/"', 'role = "mirror"')


def test_each_medium_has_its_own_figures_and_together_they_are_the_run_s() -> None:
    run = run_of(MIRROR)
    taken = figures(run)
    flash, card = taken.on_flash, taken.on_card
    assert flash is not None
    assert card is not None
    assert taken.flash_work.programs == flash.flash_work.programs + card.flash_work.programs
    assert taken.flash_work.busy_ns == flash.flash_work.busy_ns + card.flash_work.busy_ns
    assert flash.wear is not None
    assert (flash.card, card.wear, taken.wear) == (None, None, flash.wear)
    assert taken.card == card.card
    assert card.subject.settings.medium == "card"
    assert flash.amplification.data_ratio == card.amplification.data_ratio == 1
    assert sum(share.busy_ns for share in taken.tasks) == taken.flash_work.busy_ns
    for side in (flash, card):
        assert sum(share.programs for share in side.tasks) == side.flash_work.programs
        assert side.stalls is not None
        assert side.stalls.longest_ns <= taken.stalls.longest_ns  # type: ignore[union-attr]


def test_what_the_flash_holds_alone_is_counted() -> None:
    out_till_the_end = SOUND.replace('lasts = "1 h"', 'lasts = "9 h"')
    both = figures(run_of(out_till_the_end)).both
    assert both is not None
    assert (both.written, both.only_on_flash, both.only_on_flash_most) == (36, 30, 30)  # drained only at 01:00
    assert (both.card_outs, both.lost_readings, both.pulls) == (1, 0, ())
    back = figures(run_of(SOUND)).both
    assert back is not None
    assert (back.only_on_flash, back.only_on_flash_most) == (6, 12)


@pytest.mark.parametrize("moment", [f"04:00:00.0{ms:02}" for ms in range(0, 60, 4)])
def test_readings_that_are_lost_with_the_card_are_those_that_can_t_be_found(moment: str) -> None:
    one_file = SOUND.replace("{hour}", "day").replace(OUT, f"at = 2031-01-01 {moment}")
    run = run_of(one_file)
    both = figures(run).both
    assert both is not None
    with run.store.open("/log/day.csv") as file:
        found = [line for line in (file.readall() or b"").replace(b"\0", b"\n").splitlines() if line]
    wanted = {b"%02d:%02d:00" % divmod(minute, 60) for minute in range(0, 360, 10)}
    assert len(wanted - set(found)) == both.lost_readings
    assert len(found) == len(set(found)), "none is there twice"


def test_what_is_lost_is_not_met_by_default_and_the_verdict_says_so() -> None:
    torn = next(
        text
        for ms in range(60)
        if (text := SOUND.replace("{hour}", "day").replace(OUT, f"at = 2031-01-01 04:00:00.0{ms:02}"))
        and figures(run_of(text)).both.lost_readings  # type: ignore[union-attr]
    )
    said = report(torn)
    assert "lost as the card went in the middle of a write" in " ".join(said.split())
    assert "! NOT MET   lost_readings_max" in said
    assert "that sector can't be read" in " ".join(said.split())


@pytest.mark.parametrize("text", [SOUND, MIRROR])
def test_the_report_has_a_heading_for_each_medium_and_stays_in_its_width(text: str) -> None:
    said = report(text)
    assert "\nOn the flash own geometry: 64 blocks of 4 KiB" in said
    assert "\nOn the card typical card: " in said
    assert said.count("\nRoom ") == 2
    assert all(len(line) <= 100 for line in said.splitlines())


def test_json_has_both_and_only_where_there_are_two() -> None:
    run = run_of(SOUND)
    found = json.loads(as_json(figures(run), ()))
    assert found["both"]["role"] == "buffer"
    assert found["on_card"]["subject"]["settings"]["volume"] == "FAT12"
    assert found["on_flash"]["wear"]["total_erases"] >= 0
    on_card = SOUND.partition("[both]")[0].replace('"both"', '"card"') + SOUND[SOUND.index("[run]") :]
    assert not {"both", "on_card", "on_flash"} & json.loads(as_json(figures(run_of(on_card)), ())).keys()


def test_a_page_and_a_notebook_have_the_figures_of_each_medium_too() -> None:
    run = run_of(SOUND)
    sections = dict(all_sections(figures(run)))
    assert {"Readings", "Room, flash", "Room, card", "Wear, flash", "Wear, card"} <= sections.keys()
    assert "life, at least" in run._repr_html_()
