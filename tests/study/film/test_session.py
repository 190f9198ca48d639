"""What is typed: how lines are understood, going back, and power cuts."""

from __future__ import annotations

import pytest

from simfs.study.film.session import _Played
from simfs.study.film.typed import USAGES, Typed, parse_typed
from tests.study.film.test_film import session


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        ("append /a 'x y\\n'", Typed("append /a 'x y\\n'", "append", "/a", data=b"x y\n")),
        ("update /a 16 ab", Typed("update /a 16 ab", "update", "/a", data=b"ab", number=16)),
        ("truncate /a 1KiB", Typed("truncate /a 1KiB", "truncate", "/a", number=1024)),
        ("rename /a /b", Typed("rename /a /b", "rename", "/a", "/b")),
        ("idle 10s", Typed("idle 10s", "idle", number=10 * 10**9)),
        ("repeat 3 remove /a", Typed("repeat 3 remove /a", "remove", "/a", repeat=3)),
        ("cut 2 boot", Typed("cut 2 boot", "boot", cut_at=2)),
        ("create /a", Typed("create /a", "create", "/a")),
    ],
)
def test_a_line_is_understood(line: str, meant: Typed) -> None:
    assert parse_typed(line) == meant


def test_a_size_means_so_many_bytes() -> None:
    typed = parse_typed("write /a 40B")
    assert (len(typed.data), typed.size_bytes) == (40, 40)
    assert parse_typed("write /a 40x").data == b"40x"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("", "it is empty"),
        ("wirte /a b", "there is no operation wirte; known are append, "),
        ("write /a", "it is not whole; type write FILE CONTENT"),
        ("write /a \udcff", "it is not UTF-8 text"),
        ("repeat 999999999 boot", "999999999 is too many; write at most 10000"),
        ("write '/a b", "a quotation mark is not closed"),
        ("repeat 0 boot", "with N a number from 1 on"),
        ("repeat 99999 boot", "99999 is too many; write at most 10000"),
        ("cut 1 repeat 2 boot", "after cut N comes an operation itself"),
        ("update /a x y", "AT is x; write a number of bytes"),
        ("write /a 2MiB", "2MiB is too much at once"),
        ("idle 5", "5"),
    ],
)
def test_a_mistake_is_told(line: str, said: str) -> None:
    with pytest.raises(ValueError, match=r".") as error:
        parse_typed(line)
    assert said in str(error.value)


def test_every_usage_is_understood() -> None:
    words = {"FILE": "/a", "NEW-NAME": "/b", "CONTENT": "x", "AT": "0", "SIZE": "5", "TIME": "1s", "N": "2"}
    for operation, usage in USAGES.items():
        line = " ".join(words.get(word.strip("[]"), word) for word in usage.split())
        assert operation in parse_typed(line.replace("OPERATION...", "boot")).line


def test_going_back_gives_the_store_that_was_there() -> None:
    done = session("write /a 300B")
    before = done.do(parse_typed("list")).view
    done.do(parse_typed("repeat 9 write /a 300B"))
    assert done.back().view == before
    done.back()
    done.back()
    with pytest.raises(IndexError):
        done.back()


def test_a_cut_leaves_the_old_contents_or_the_new() -> None:
    found = set()
    for number in range(1, 12):
        done = session("write /a old", f"cut {number} write /a new")
        found.add(done.do(parse_typed("read /a")).found)
    assert found == {"old", "new", ""}  # nothing, where it was emptied by its open and not written yet


def test_a_cut_behind_the_end_of_an_operation_is_none() -> None:
    done = session()
    outcome = done.do(parse_typed("cut 99 write /a new"))
    assert not any(step.cut for step in outcome.steps)
    assert done.do(parse_typed("repeat 60 write /b 100B")).steps[-1].cut is False


def test_what_was_typed_is_played_once_however_many_cuts_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    done = session("cut 2 write /a old", "cut 1 write /b old")
    played: list[Typed] = []
    do = _Played._do

    def counted(self: _Played, one: Typed) -> None:
        played.append(one)
        do(self, one)

    monkeypatch.setattr(_Played, "_do", counted)
    done.film()
    assert played == done.typed
