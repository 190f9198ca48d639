"""Sentences and pictures of what was done."""

from __future__ import annotations

from simfs.show.film.picture import picture
from simfs.show.film.sentences import sentence
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause
from simfs.study.film.steps import Action, Step
from simfs.study.film.typed import parse_typed
from tests.study.film.test_film import session


def told(*actions: Action, operation: str = "append", refused: int = 0, cut: bool = False) -> str:
    return sentence(Step("log", operation, "/log/b.csv", 0, 38, refused, cut, actions), 1024, 64)


def test_programs_of_one_cause_are_told_together() -> None:
    actions = [Action(1024 + 64 * page, 60, Cause.DATA) for page in (3, 4, 5, 9)]
    assert told(*actions) == "Append of 38 bytes to /log/b.csv: the bytes go to pages 3 to 5 and 9 of block 1."


def test_cleaning_is_told_with_its_victim() -> None:
    actions = (
        Action(2048, 30, Cause.RELOCATION),
        Action(4096, 0, before=State.CLOSED, after=State.FREED),
        Action(4096, 0, Cause.RELOCATION),
        Action(2112, 64, Cause.DATA),
    )
    assert told(*actions) == (
        "Append of 38 bytes to /log/b.csv: the cleaner moves what is live to page 0 of block 2, nothing live is left "
        "in block 4, block 4 is erased, the bytes go to page 1 of block 2."
    )


def test_refusals_and_cuts_are_told() -> None:
    assert told(refused=28).endswith("nothing is changed; it is refused with ENOSPC, since the store is full.")
    assert told(Action(0, 5, Cause.NAME), cut=True).endswith("page 0 of block 0; then the power is cut.")
    assert told(operation="read") == "Read of 38 bytes to /log/b.csv: nothing is programmed."


def test_a_name_stays_on_its_line() -> None:
    step = Step("log", "write", "/a\n<script>" + "x" * 300, 0, 0, 0, False, ())
    assert "\n" not in sentence(step, 1024, 64)
    assert len(sentence(step, 1024, 64)) < 150


def test_the_picture_has_a_line_for_each_block_and_a_sign_for_each_page() -> None:
    lines = picture(session("write /a 300B").do(parse_typed("write /a 10B")).view).splitlines()
    assert len(lines) == 9
    assert lines[0] == "block 0  r░░░░░░██·······    1  open: the log goes on here"
    assert lines[1] == "block 1  ················    0  one of the next"
