"""What a campaign remembers of blocks changes no mount and no verdict."""

from __future__ import annotations

from typing import Any

import pytest

from simfs import CorruptStore
from simfs.store.mounting.block_reader import Look
from simfs.store.volume import Volume
from simfs.study.cuts.campaign import campaign, chunks_of
from simfs.study.cuts.judging import judge as cut_judge
from simfs.study.cuts.judging.block_cache import KnownBlocks
from simfs.study.cuts.judging.judge import Rules
from simfs.study.cuts.judging.states import sampled
from simfs.study.cuts.notes.noted_flash import NotedFlash
from simfs.study.pools import Here
from tests.support.campaign_cases import SETTINGS, busy_case


def mounted(flash: NotedFlash, look: Look, read_only: bool) -> Any:
    """All that a mount finds, and what it writes."""
    flash.changes.clear()
    try:
        state = Volume.mount(flash, read_only, look).state
    except CorruptStore as error:
        return str(error)
    blocks = state.blocks
    files = [(key, node.number, node.size, node.starts, node.places) for key, node in state.files.items()]
    rows = list(zip(blocks.state, blocks.erase_count, blocks.base, blocks.salt, blocks.live, strict=True))
    return files, rows, dict(state.claims.tombs), state.claims.bearers, state.next_number, list(flash.changes)


@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("profile", ["program-contained", "sector-collateral"])
def test_a_mount_finds_and_writes_the_same(setting: str, profile: str) -> None:
    history = busy_case(setting, 3, 120).record()
    count = history.block_count
    rules = Rules(history.datasheet, history.config, cut_judge.Profile(profile))
    known = KnownBlocks(count)
    flash = NotedFlash.blank_one(history.datasheet, count)
    for cut in sampled(history, 30, 5):
        (chunk,) = chunks_of(history, [cut], rules, 1)
        chunk.chip.cut(chunk.operations[0].change, cut, rules.profile)
        for read_only in (True, False):
            found = []
            for look in (known, Look(), known):
                flash.fill(chunk.chip.cells, chunk.chip.page_programs)
                found.append(mounted(flash, look, read_only))
            assert found[0] == found[1] == found[2], cut


def test_a_campaign_comes_to_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    history = busy_case("two heads", 8, 80).record()
    cuts = list(sampled(history, 6, 2))
    quick = [campaign(history, cuts, depth=2, profile=profile, executor=Here()) for profile in cut_judge.Profile]
    monkeypatch.setattr(cut_judge, "KnownBlocks", lambda _count: Look())
    plain = [campaign(history, cuts, depth=2, profile=profile, executor=Here()) for profile in cut_judge.Profile]
    assert quick == plain
    assert quick[0].states > 10


def test_a_block_that_differs_in_one_bit_anywhere_is_read_anew() -> None:
    history = busy_case("bytes", 3, 60).record()
    known = KnownBlocks(history.block_count)
    flash = NotedFlash.blank_one(history.datasheet, history.block_count)
    flash.fill(history.image, [])
    known.lives(flash)
    for at in range(0, history.geometry.size_bytes, 37):
        cells = bytearray(history.image)
        cells[at] ^= 1 << at % 8
        flash.fill(cells, [])
        reads = flash.reads
        assert known.lives(flash) == Look().lives(flash)
        assert flash.reads == reads + 2 + history.block_count, at  # the block as a whole, and its first statement
        flash.fill(history.image, [])
        reads = flash.reads
        known.lives(flash)
        assert flash.reads == reads, at
