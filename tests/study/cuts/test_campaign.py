"""The campaign engine: which cuts there are, what each leaves, and that the judge misses nothing."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash.interrupted import Profile
from simfs.flash.trace import Change
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import Chip, every_bit, every_byte, every_operation, sampled
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import record


def short_work(store: Store) -> None:
    """A settings file replaced, and a gap."""
    for name, data in (("a", b"settings"), ("b", b"settings, newer")):
        with store.open(name, "w") as file:
            file.write(data)
    store.rename("b", "a")
    with store.open("a", "r+") as file:
        file.seek(40)
        file.write(b"behind a gap")
    store.truncate("a", 3)


def short_history() -> History:
    flash = NorFlash(6, 512, 64)
    return record(Store.format(flash, StoreConfig(buffer_bytes=32, name_bytes=12)), short_work)


def test_a_cut_point_is_a_token_and_back() -> None:
    for cut in (
        CutPoint(0, "all"),
        CutPoint(123, "bytes 17"),
        CutPoint(7, "bits half", 9, CutPoint(0, "weak", 0, CutPoint(2, "zeros 40", 3))),
    ):
        assert CutPoint.parse(str(cut)) == cut
    assert str(cut) == "7:bits=half@9/0:weak/2:zeros=40@3"
    assert cut.depth == 3
    assert str(cut.followed_by(CutPoint(5, "nothing"))) == f"{cut}/5:nothing"


@pytest.mark.parametrize("text", ["", "12", "x:all", "1:all/", "1:bytes==2", "1:bytes 17@", "-1:all"])
def test_a_bad_token_says_what_would_be_right(text: str) -> None:
    with pytest.raises(ValueError, match=r"names no cut; right would be, for example, 123:bytes=17"):
        CutPoint.parse(text)


def test_the_cuts_there_are() -> None:
    history = short_history()
    sizes = [len(one.data or b"") for one in history.operations]
    assert len(list(every_operation(history))) == 4 * len(sizes)
    assert len(list(every_byte(history))) == sum(size - 1 + 5 for size in sizes)
    zeros = sum(
        8 * len(one.data) - int.from_bytes(one.data, "little").bit_count() for one in history.operations if one.data
    )
    assert len(list(every_bit(history))) == zeros
    drawn = list(sampled(history, 50, 3))
    assert drawn == list(sampled(history, 50, 3)) != list(sampled(history, 50, 4))
    assert len(drawn) == 50


def test_no_cut_in_a_short_run_breaks_a_promise() -> None:
    history = short_history()
    cuts = list(every_byte(history))[1::2]
    result = campaign(history, cuts, depth=2)
    assert result.violations == ()
    assert result.states > 2 * len(cuts)
    assert sum(found.states for found in result.found) == result.states
    assert {found.event for found in result.found} == set(range(len(history.events) + 1))


def test_the_executor_does_not_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor how the cuts fall into chunks."""
    history = short_history()
    cuts = list(every_byte(history))[::3]
    whole = campaign(history, cuts)
    monkeypatch.setattr("simfs.study.cuts.campaign.CUTS_PER_CHUNK", 11)
    assert campaign(history, cuts) == whole  # in a pool of processes
    with ThreadPoolExecutor(3) as threads:
        assert campaign(history, cuts[::-1], executor=threads) == whole


def test_a_cut_that_the_run_does_not_have() -> None:
    history = short_history()
    with pytest.raises(ValueError, match=f"99:all: the run has {len(history.operations)} flash operations"):
        campaign(history, [CutPoint(99, "all")])
    with pytest.raises(ValueError, match="3:nothing/9:all: the recovery has"):
        campaign(history, [CutPoint.parse("3:nothing/9:all")])


def test_a_chip_follows_changes_and_cuts() -> None:
    flash = NorFlash(2, 512, 64)
    chip = Chip.holding(flash.image(), flash.geometry, [0, 0])
    chip.apply(Change(3, b"\x0f\xf0"))
    assert chip.cells[2:6] == b"\xff\x0f\xf0\xff"
    chip.cut(Change(4, b"\x00\x00"), CutPoint(0, "bytes 1"), Profile.PROGRAM)
    assert chip.cells[2:6] == b"\xff\x0f\x00\xff"
    assert chip.weak == [(4, b"\xf0\xff")]
    other = chip.copy()
    other.cut(Change(0, None), CutPoint(1, "zeros 8"), Profile.PROGRAM)
    assert (other.cells[:10], other.erased) == (bytes(8) + b"\xff\xff", [1, 0])
    chip.apply(Change(0, None))
    assert (chip.cells, chip.erased, chip.weak) == (flash.image(), [1, 0], [])
