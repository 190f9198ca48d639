"""A film goes forwards to the store as it is at the end, and back to the store as it was at the start."""

from __future__ import annotations

import errno

import pytest

from simfs.flash import NorFlash
from simfs.store.format.config import StoreConfig
from simfs.store.tables.listener import Cause
from simfs.study.film import film as film_module
from simfs.study.film.film import CLEANING, CUT, ERASE, PAGES, REFUSED, WEAK, Film
from simfs.study.film.session import Board, Session
from simfs.study.film.typed import parse_typed

LINES = (
    "append /log '06:00,2.41\\n'", "repeat 30 append /log 40B", "write /set 300B", "repeat 40 write /set 300B",
    "cut 2 write /set 'mode=3\\n'", "rename /set /old", "read /none", "repeat 25 write /old 250B", "boot",
)  # fmt: skip


def session(*lines: str) -> Session:
    flash = NorFlash(block_count=8, block_bytes=1024, page_bytes=64)
    found = Session(Board(8, flash.datasheet, StoreConfig()))
    for line in lines:
        found.do(parse_typed(line))
    return found


def wound(film: Film, forwards: bool, pages: list[int], states: list[int], erases: list[int]) -> None:
    """Apply all changes, or take all of them back."""
    order = range(len(film.steps)) if forwards else reversed(range(len(film.steps)))
    for step in order:
        for number, before, after in film.page_changes[step]:
            assert pages[number] == (before if forwards else after)
            pages[number] = after if forwards else before
        for block, before, after in film.state_changes[step]:
            assert states[block] == (before if forwards else after)
            states[block] = after if forwards else before
        for block in film.erases[step]:
            erases[block] += 1 if forwards else -1


def test_it_goes_forwards_to_the_end_and_back_to_the_start() -> None:
    done = session(*LINES)
    film, view = done.film(), done.do(parse_typed("list")).view
    pages, states, erases = list(film.pages_first), list(film.states_first), list(film.erases_first)
    wound(film, True, pages, states, erases)
    sound = [PAGES.index(page) for block in view.pages for page in block]
    assert [page for page, now in zip(pages, sound, strict=True) if page not in (now, WEAK)] == []
    assert (states, erases) == ([int(state) for state in view.states], list(view.erase_counts))
    wound(film, False, pages, states, erases)
    assert (pages, states, erases) == (film.pages_first, film.states_first, film.erases_first)


def test_marks_say_where_to_look() -> None:
    film = session(*LINES).film()
    for step, marks in zip(film.steps, film.marks, strict=True):
        causes = {action.cause for action in step.actions}
        assert bool(marks & CLEANING) == bool(causes & {Cause.RELOCATION, Cause.LEVELLING})
        assert bool(marks & CUT) == step.cut
        assert bool(marks & REFUSED) == bool(step.refused)
    assert {bit for bit in (CLEANING, ERASE, CUT, REFUSED) if any(marks & bit for marks in film.marks)} == {
        CLEANING, ERASE, CUT, REFUSED,
    }  # fmt: skip
    assert [step.refused for step in film.steps if step.refused] == [errno.ENOENT]


def test_what_a_cut_left_is_weak_until_its_block_is_erased() -> None:
    film = session("write /a 100B", "cut 2 write /a 100B").film()
    (cut,) = (number for number, step in enumerate(film.steps) if step.cut)
    weak = [number for number, _, after in film.page_changes[cut] if after == WEAK]
    last = film.steps[cut].actions[-1]
    assert weak == [last.address // 64 + more for more in range((last.address % 64 + last.length + 63) // 64)]
    later = session("write /a 100B", "cut 2 write /a 100B", "repeat 60 write /a 300B").film()
    pages, states, erases = list(later.pages_first), list(later.states_first), list(later.erases_first)
    wound(later, True, pages, states, erases)
    assert WEAK not in pages


def test_a_film_that_is_too_long_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(film_module, "STEPS_MAX", 10)
    film = session("repeat 30 append /log 4B").film()
    assert (len(film.steps), film.left_out) == (10, 20)
