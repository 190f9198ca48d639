"""Recoveries that are cut over and over, eight cuts in a row. With one erase block more in reserve than by default the
reference scenarios withstand them all; a recovery that is cut may cost a small store a block."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfs import StoreConfig
from simfs.flash.interrupted import Profile
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.notes.recorder import record
from simfs.study.pools import Here
from tests.goals.rows.cuts import plain
from tests.goals.scenarios import SCENARIOS, Scenario

DEPTH = 8


def with_more_reserve(scenario: Scenario) -> Scenario:
    config = scenario.config | {"reserve_blocks": StoreConfig(**scenario.config).reserve + 1}
    flash = scenario.flash | {"block_count": scenario.flash["block_count"] + 1}
    return replace(scenario, config=config, flash=flash)


def violations(name: str, step: int) -> tuple[int, list[str]]:
    one = with_more_reserve(SCENARIOS[name])
    history = record(one.store(), one.play, name)
    cuts = list(plain(history, Profile.PROGRAM.value))[step // 2 :: step]
    found = campaign(history, cuts, profile=Profile.PROGRAM, depth=DEPTH, executor=Here(), violations_max=5)
    return found.states, [f"{one.cut} {one.promise}: {one.what}" for one in found.violations]


@pytest.mark.parametrize(("name", "step"), [("readings, pages", 400), ("idle", 1200)])
def test_eight_cuts_in_a_row_are_withstood(name: str, step: int) -> None:
    states, broken = violations(name, step)
    assert states > 100
    assert not broken


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENARIOS)
def test_eight_cuts_in_a_row_are_withstood_everywhere(name: str) -> None:
    states, broken = violations(name, 20)
    assert states > 1000
    assert not broken
