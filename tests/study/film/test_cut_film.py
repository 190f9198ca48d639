"""A cut of a campaign as a film: it ends with the mount of just the flash that the campaign judges."""

from __future__ import annotations

import pytest

from simfs import NorFlash, Store
from simfs.flash.interrupted import Profile
from simfs.replay.device.observer import BOOT_TASK
from simfs.study.cuts.case_text import Case
from simfs.study.cuts.judging.states import Chip
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.film import cut_film
from simfs.study.film.cut_film import film_of_cut
from simfs.study.film.film import CUT, PAGES, WEAK, Film
from simfs.study.film.steps import view_of

CALLS = "; ".join(f"open #{number} /{number % 3} a; write #{number} end 30; close #{number}" for number in range(1, 30))


@pytest.fixture(scope="module")
def history() -> History:
    return Case.parse(f"6x1024 page=128; buffer_bytes=32 name_bytes=12; {CALLS}").record()


def pages_at_end(film: Film) -> list[int]:
    pages = list(film.pages_first)
    for changes in film.page_changes:
        for number, _, after in changes:
            pages[number] = after
    return pages


@pytest.mark.parametrize("token", ["0:nothing", "40:bits=half@3", "47:bytes=20"])
def test_a_film_ends_with_the_flash_that_a_campaign_judges(history: History, token: str) -> None:
    cut = CutPoint.parse(token)
    film = film_of_cut(history, cut, Profile.PROGRAM)
    assert [bool(marks & CUT) for marks in film.marks[-2:]] == [True, False]
    assert film.steps[-1].task == BOOT_TASK
    chip = Chip.holding(history.image, history.geometry, history.erase_counts)
    chip.apply_all(one.change for one in history.operations[: cut.operation])
    chip.cut(history.operations[cut.operation].change, cut, Profile.PROGRAM)
    mounted = Store.mount(NorFlash.from_image(bytes(chip.cells), datasheet=history.datasheet))
    wanted = [PAGES.index(page) for block in view_of(mounted).pages for page in block]
    assert [now for now, right in zip(pages_at_end(film), wanted, strict=True) if now not in (WEAK, right)] == []


def test_a_cut_in_the_mount_is_shown_too(history: History) -> None:
    film = film_of_cut(history, CutPoint.parse("40:bits=half/0:nothing"), Profile.PROGRAM)
    assert [bool(marks & CUT) for marks in film.marks[-3:]] == [True, True, False]


def test_a_cut_behind_the_end_of_the_mount_is_none(history: History) -> None:
    film = film_of_cut(history, CutPoint.parse("40:bits=half/999:nothing/0:nothing"), Profile.PROGRAM)
    assert [bool(marks & CUT) for marks in film.marks[-3:]] == [False, True, False]


def test_a_film_begins_shortly_before_the_cut(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = film_of_cut(history, CutPoint.parse("40:all"), Profile.PROGRAM)
    monkeypatch.setattr(cut_film, "CALLS_BEFORE", 5)
    short = film_of_cut(history, CutPoint.parse("40:all"), Profile.PROGRAM)
    assert len(short.steps) == 5 + 2
    assert short.steps == whole.steps[-7:]


def test_a_cut_that_the_run_does_not_have_is_refused(history: History) -> None:
    with pytest.raises(ValueError, match=r"the run has \d+ flash operations"):
        film_of_cut(history, CutPoint.parse("5000:nothing"), Profile.PROGRAM)
