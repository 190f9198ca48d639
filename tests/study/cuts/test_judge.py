"""The judge misses no broken promise: a store that breaks each of them in turn is told from a sound one."""

from __future__ import annotations

import errno
from collections.abc import Callable
from typing import Any

import pytest

from simfs import CorruptStore, NorFlash, Store
from simfs.flash import Geometry, PowerCut
from simfs.flash.fault_data import Cut, Faults
from simfs.flash.plan import Plan
from simfs.store.volume import Volume
from simfs.study.cuts.campaign import campaign, chunks_of
from simfs.study.cuts.case_text import Case
from simfs.study.cuts.judging import judge as cut_judge
from simfs.study.cuts.judging.judge import TOLD, Rules
from simfs.study.cuts.judging.states import every_byte, every_operation, sampled
from simfs.study.cuts.judging.verdicts import PROMISES, Violation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.pools import Here
from tests.support.campaign_cases import BYTE, busy_case, short_case

CASE = Case(Geometry(9, 512, 64), BYTE, short_case("bytes").calls)  # with room to spare
LAST = CutPoint(9, "bytes 12")  # the file is there, and something is to be settled

Lie = Callable[[Store], None]


def violation_of(monkeypatch: pytest.MonkeyPatch, lies: dict[int, Lie]) -> Violation | None:
    """What the judge says of a store that lies at some of the mounts: 1 read-only, 2 the recovery, 3 the second mount,
    4 with weak bits read otherwise, 5 after the work."""

    class Liar(Store):
        mounts = 0

        def __init__(self, volume: Volume) -> None:
            super().__init__(volume)
            Liar.mounts += 1
            lies.get(Liar.mounts, lambda _: None)(self)

    monkeypatch.setattr(cut_judge, "Store", Liar)
    result = campaign(CASE.record(), [LAST], executor=Here())
    assert result.states == 1
    return result.violations[0] if result.violations else None


def forget(store: Store) -> None:
    """In RAM, a file is gone."""
    store._volume._unname(next(iter(store._volume.state.files.values())))


def write(store: Store) -> None:
    """Into blank cells at the end of the flash, where no store looks at them."""
    size = store.flash.geometry.size_bytes
    store.flash.program(size - 40, b"x")


def miscount(store: Store) -> None:
    store._volume.state.blocks.live_total += 1


def understate(store: Store) -> None:
    """Both mounts that are compared say so."""
    store._volume.state.blocks.erase_count = [count - 2 for count in store._volume.state.blocks.erase_count]


def refuse(store: Store) -> None:
    def rename(*_: object) -> None:
        raise OSError(errno.EIO, "no")

    store.rename = rename  # type: ignore[method-assign]


def corrupt(_: Store) -> None:
    raise CorruptStore("damaged")


@pytest.mark.parametrize(
    ("promise", "lies", "what"),
    [
        ("contents", {1: forget}, "found 0 files alike, allowed is"),
        ("contents", {1: corrupt}, "CorruptStore: .*damaged"),
        ("read-only", {1: write}, "a read-only mount made 1 changes"),
        ("mount", {2: forget}, "a mount that may write finds 0 files alike, not 'a'"),
        ("mount", {2: corrupt}, "CorruptStore"),
        ("second-mount", {3: forget}, "a second mount finds"),
        ("second-mount", {3: write}, "a second mount made 1 changes"),
        ("check", {2: miscount}, "live bytes are kept in all"),
        ("erase-counts", {2: understate, 3: understate}, "was erased 1 times, the store says -1"),
        ("weak", {4: forget}, "once weak bits read otherwise, a mount finds"),
        ("operate", {4: refuse}, "no"),
        ("remount", {5: forget}, "after (the first|some) operations, a mount finds"),
    ],
)
def test_each_broken_promise_is_reported(
    monkeypatch: pytest.MonkeyPatch, promise: str, lies: dict[int, Lie], what: str
) -> None:
    violation = violation_of(monkeypatch, lies)
    assert violation is not None
    assert (violation.cut, violation.promise) == (LAST, promise)
    assert pytest.raises(AssertionError, match=what).matches(AssertionError(violation.what))


def test_every_promise_is_tried_above_and_a_store_that_does_not_lie_keeps_them(monkeypatch: pytest.MonkeyPatch) -> None:
    tried = {arguments[0] for mark in test_each_broken_promise_is_reported.pytestmark for arguments in mark.args[1]}
    assert tried == set(PROMISES)
    assert violation_of(monkeypatch, {}) is None


def test_a_store_full_to_the_brim_may_refuse_but_not_with_room(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_room(store: Store) -> None:
        def open_(*_: Any) -> None:
            raise OSError(errno.ENOSPC, "no room")

        store.open = open_  # type: ignore[method-assign,assignment]

    violation = violation_of(monkeypatch, {4: no_room})
    assert violation is not None
    assert violation.promise == "operate"
    assert "no room with" in violation.what


def test_a_state_is_what_the_same_cut_leaves_in_a_run() -> None:
    """Built from the trace, and met by a run that is cut for real: the same cells."""
    case = busy_case("two heads", 5, 60)
    history = case.record()
    rules = Rules(history.datasheet, history.config, cut_judge.Profile.PROGRAM)
    for cut in list(sampled(history, 40, 7))[::4]:
        (chunk,) = chunks_of(history, [cut], rules, 1)
        chunk.chip.cut(chunk.operations[0].change, cut, rules.profile)
        assert bytes(chunk.chip.cells) == cells_of_a_run(case, cut), cut


def cells_of_a_run(case: Case, cut: CutPoint) -> bytes:
    """The calls made for real on a flash that loses its power there."""
    sheet, blocks = case.record().datasheet, case.geometry.block_count
    formatted = Store.format(NorFlash(blocks, datasheet=sheet), case.config).flash
    before = formatted.programs + formatted.erases
    plan = Plan(Faults(seed=cut.seed, cuts=(Cut(before + cut.operation, cut.leaves),)))
    flash = NorFlash(blocks, datasheet=sheet, faults=plan)
    with pytest.raises(PowerCut):
        case.work(Store.format(flash, case.config))
    return flash.image()


def test_where_a_part_spoils_the_whole_page_losses_may_be_told() -> None:
    """With page packing none is allowed; byte-tight frames of the page may be lost, if the store says so."""
    pages, tight = short_case("pages").record(), short_case("bytes").record()
    kept = campaign(pages, every_operation(pages), profile="page-contained", executor=Here())
    assert not kept.violations, kept.violations[0]
    assert all(found.event != TOLD for found in kept.found)
    told = campaign(tight, every_operation(tight), profile="page-contained", executor=Here(), violations_max=None)
    assert sum(found.states for found in told.found if found.event == TOLD) > 5
    assert all("CorruptStore" not in violation.what for violation in told.violations)


def test_a_campaign_ends_early_and_says_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("simfs.study.cuts.campaign.CUTS_PER_CHUNK", 10)
    history = CASE.record()
    monkeypatch.setattr(Volume, "mount", classmethod(lambda *_, **__: corrupt(None)))  # type: ignore[arg-type]
    heard: list[tuple[int, int]] = []
    cuts = list(every_byte(history))
    result = campaign(history, cuts, executor=Here(), violations_max=15, progress=lambda *told: heard.append(told))
    assert len(result.violations) == 15
    assert result.states == 20
    assert heard == [(10, len(cuts)), (20, len(cuts))]
