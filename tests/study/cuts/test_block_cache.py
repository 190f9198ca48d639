"""What a campaign remembers of blocks changes no mount and no verdict."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from simfs import CorruptStore
from simfs.store.format.layout import Layout
from simfs.store.mounting.block_reader import Look
from simfs.store.mounting.survey import survey
from simfs.store.recovery.mount import Find
from simfs.store.volume import Volume
from simfs.study.cuts.campaign import campaign, chunks_of
from simfs.study.cuts.judging import judge as cut_judge
from simfs.study.cuts.judging.block_cache import KnownBlocks
from simfs.study.cuts.judging.judge import Rules
from simfs.study.cuts.judging.mount_cache import KnownMounts
from simfs.study.cuts.judging.states import sampled
from simfs.study.cuts.notes.noted_flash import NotedFlash
from simfs.study.pools import Here
from tests.support.campaign_cases import SETTINGS, busy_case


def mounted(flash: NotedFlash, find: Find, read_only: bool) -> Any:
    """All that a mount finds, and what it writes."""
    flash.changes.clear()
    try:
        state = Volume.mount(flash, read_only, find).state
    except CorruptStore as error:
        return str(error)
    return plainly(state, set()), list(flash.changes)


def plainly(part: Any, met: set[int]) -> Any:
    """All values in a part of a state, but of its flash and its layout."""
    if id(part) in met or isinstance(part, NotedFlash | Layout) or callable(part):
        return None
    if isinstance(part, dict):
        return {key: plainly(value, met) for key, value in part.items()}
    if isinstance(part, list):
        return [plainly(value, met) for value in part]
    if not type(part).__module__.startswith("simfs"):
        return part
    met.add(id(part))
    names = [*getattr(part, "__dict__", ()), *getattr(part, "__slots__", ())]
    return type(part), {name: plainly(getattr(part, name, None), met) for name in names}


@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("profile", ["program-contained", "sector-collateral"])
def test_a_mount_finds_and_writes_the_same(setting: str, profile: str) -> None:
    history = busy_case(setting, 3, 120).record()
    count = history.block_count
    rules = Rules(history.datasheet, history.config, cut_judge.Profile(profile))
    known = KnownMounts(count).find
    flash = NotedFlash.blank_one(history.datasheet, count)
    for cut in sampled(history, 30, 5):
        (chunk,) = chunks_of(history, [cut], rules, 1)
        chunk.chip.cut(chunk.operations[0].change, cut, rules.profile)
        for read_only in (True, False):
            found = []
            for find in (known, survey, known):
                flash.fill(chunk.chip.cells, chunk.chip.page_programs)
                found.append(mounted(flash, find, read_only))
            assert found[0] == found[1] == found[2], cut


def test_a_campaign_comes_to_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    history = busy_case("two heads", 8, 80).record()
    cuts = list(sampled(history, 6, 2))
    quick = [campaign(history, cuts, depth=2, profile=profile, executor=Here()) for profile in cut_judge.Profile]
    monkeypatch.setattr(cut_judge, "KnownMounts", lambda _count: SimpleNamespace(find=survey, find_last=survey))
    plain = [campaign(history, cuts, depth=2, profile=profile, executor=Here()) for profile in cut_judge.Profile]
    assert quick == plain
    assert quick[0].states > 10


def test_a_block_that_differs_in_one_bit_anywhere_is_read_anew() -> None:
    history = busy_case("bytes", 3, 60).record()
    known = KnownBlocks(history.block_count)
    flash = NotedFlash.blank_one(history.datasheet, history.block_count)
    flash.fill(history.image, [])
    known.turn_to(flash)
    for at in range(0, history.geometry.size_bytes, 37):
        cells = bytearray(history.image)
        cells[at] ^= 1 << at % 8
        flash.fill(cells, [])
        reads = flash.reads
        known.turn_to(flash)
        assert known.lives(flash) == Look().lives(flash)
        assert flash.reads == reads + 2 + history.block_count, at  # the block as a whole, and its first statement
        flash.fill(history.image, [])
        reads = flash.reads
        known.turn_to(flash)
        assert flash.reads == reads, at


def test_only_blocks_that_changed_since_are_looked_at_and_all_of_a_filled_flash() -> None:
    history = busy_case("bytes", 3, 60).record()
    flash, known = NotedFlash.blank_one(history.datasheet, history.block_count), KnownBlocks(history.block_count)
    flash.fill(history.image, [])
    before = known.turn_to(flash)
    assert known.turn_to(flash) == before
    flash.erase(0)
    erased = known.turn_to(flash)
    assert erased[0] != before[0]
    flash.program(0, b"\0")
    programmed = known.turn_to(flash)
    assert programmed[0] not in (before[0], erased[0])
    assert programmed[1:] == erased[1:] == before[1:]
    other = NotedFlash.blank_one(history.datasheet, history.block_count)
    assert known.turn_to(other) != programmed
    assert known.turn_to(flash) == programmed
    flash.fill(history.image, [])
    assert known.turn_to(flash) == before
