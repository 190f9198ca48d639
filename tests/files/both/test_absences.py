"""When the card is out."""

from __future__ import annotations

import pytest

from simfs.files.both.absences import Absence, Absences

ONCE, WEEKLY = Absence(100, 10), Absence(50, 5, 70)


@pytest.mark.parametrize(("at", "out"), [(99, False), (100, True), (109, True), (110, False)])
def test_once(at: int, out: bool) -> None:
    assert ONCE.covers(at) == out


@pytest.mark.parametrize(("at", "out"), [(0, False), (49, False), (50, True), (54, True), (55, False), (120, True)])
def test_again_and_again(at: int, out: bool) -> None:
    assert WEEKLY.covers(at) == out


def test_the_next_time_is_the_first_of_all() -> None:
    both = Absences((ONCE, WEEKLY))
    assert [both.next_ns(at) for at in (0, 50, 51, 100, 101, 121)] == [50, 50, 100, 100, 120, 190]
    assert Absences((ONCE,)).next_ns(101) is None
    assert Absences().next_ns(0) is None


def test_it_comes_back_when_the_last_of_several_is_over() -> None:
    assert Absences((ONCE, WEEKLY)).backs(0, 200) == [55, 110, 125, 195]
    assert Absences((ONCE, Absence(105, 20))).backs(0, 200) == [125]
    assert Absences((Absence(0, 10, 20),)).backs(5, 50) == [10, 30]
