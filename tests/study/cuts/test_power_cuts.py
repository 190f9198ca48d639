"""The power goes at any program or erase of small stores, again during the recovery, and weak cells read anew.

Exhaustive only for what each test names; the fault profile is "program-contained". No real chip is tested.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice

import pytest

from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import every_byte, every_operation, sampled
from simfs.study.cuts.judging.verdicts import CampaignResult
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.pools import Here
from tests.support.campaign_cases import SETTINGS, busy_case, short_case


def assert_sound(history: History, cuts: Iterable[CutPoint], depth: int = 1) -> CampaignResult:
    result = campaign(history, cuts, depth=depth, executor=Here(), violations_max=3)
    told = [f"{found.cut}: {found.promise}: {found.what}" for found in result.violations]
    assert not told, "\n".join(told)
    assert result.states > 0
    return result


def last(history: History, cuts: Iterable[CutPoint], operations: int) -> list[CutPoint]:
    """The cuts in the last operations of a run, when the store has been through something."""
    return [cut for cut in cuts if cut.operation >= len(history.operations) - operations]


@pytest.mark.parametrize("setting", SETTINGS)
def test_bytes_of_a_short_story(setting: str) -> None:
    history = short_case(setting).record()
    assert_sound(history, islice(every_byte(history), 0, None, 6))


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_store_at_work(setting: str) -> None:
    """Every erase of some calls among the last, and programs drawn from them."""
    history = busy_case(setting, 1).record()
    cuts = last(history, sampled(history, 400, 1), 80)[::2]
    erased = [
        cut for cut in last(history, every_operation(history), 120) if history.operations[cut.operation].data is None
    ]
    assert len(erased) >= 6
    assert_sound(history, [*cuts, *erased[:12]])


@pytest.mark.parametrize("setting", SETTINGS)
def test_cuts_in_the_recovery(setting: str) -> None:
    """A second cut in each step of it, and a third one in that recovery."""
    history = busy_case(setting, 2).record()
    result = assert_sound(history, last(history, sampled(history, 300, 2), 80)[::8], depth=3)
    assert result.counts["in a recovery"] > 10


@pytest.mark.slow
@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("seed", range(10, 30))
def test_many_stores_at_work(setting: str, seed: int) -> None:
    history = busy_case(setting, seed, 120).record()
    assert_sound(history, last(history, sampled(history, 2400, seed), 120)[:600], depth=1 + seed % 3)


@pytest.mark.slow
@pytest.mark.parametrize("setting", SETTINGS)
def test_every_byte_of_a_short_story(setting: str) -> None:
    history = short_case(setting).record()
    assert_sound(history, every_byte(history, erases=True), depth=2)
