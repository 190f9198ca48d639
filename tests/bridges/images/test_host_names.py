"""Spellings of names: any host can hold them, and each can be read back."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from simfs.bridges.images.host_names import host_name
from tests.support.host_names import fault_of_a_spelling, meaning

AS_THEY_ARE = [
    "a", "2031-04-05.csv", "a b (1)=2,@x.y", "_x", "contents", "con1", "nul_", "9", ".gitignore", "..a", "it's", "ä",
    "Übung.txt", "漢字", "😀", "ß", "e\u0301", "a%".replace("%", "&"), "#a", "$a", "`id`", "~", "a;b", "a!", "[a]{b}^",
]  # fmt: skip
SPELLED = {
    "/log/2031-04-05.csv": "log+2031-04-05.csv", "/a/b/c": "a+b+c", "/.git/config": ".git+config", "//a": "+a",
    "/a/": "a+", "/": "%", "//": "+", "/.": "%2E", "/..": "%2E%2E", "/../../etc/passwd": "%2E%2E+%2E%2E+etc+passwd",
    "/...": "%2E%2E%2E", "/a.": "a%2E", "/a./b": "a%2E+b", "/a ": "a%20", "/ a": "%20a", "/-rf": "%2Drf",
    "/a/-b": "a+%2Db", "/C:\\a": "C%3A%5Ca", '/"a"': "%22a%22", "/a\tb": "a%09b", "/a\n": "a%0A",
    "/\x1b[2J": "%1B[2J", "/a\u202eb": "a%E2%80%AEb", "/a\uff0fb": "a%EF%BC%8Fb", "/\u2024\u2024": "%E2%80%A4%E2%80%A4",
    "/con": "%63on", "/nul.txt": "%6Eul.txt", "/a/AUX": "a+%41UX", "/COM\u00b9": "%43OM\u00b9", "/a+b": "a%2Bb",
    "/a%41": "a%2541", "/\udcff": "%FF", "/a*?<>|": "a%2A%3F%3C%3E%7C", "/a/damaged": "a+%64amaged",
    "/damaged/a": "damaged+a", "/damaged": "%64amaged", "/CON .x": "%43ON .x", "/a/ ": "a+%20",
}  # fmt: skip
HOSTILE = [*AS_THEY_ARE, *SPELLED, "a" * 254, "ä" * 127, "\t" * 254, "/a" * 127, "/" * 254, "Z:", "a\0b", "\u212a"]
NAMES = st.one_of(
    st.text(min_size=1, max_size=60).filter(lambda text: text.isprintable() or max(text) < "\ud800"),
    st.text("aA./+%:-~ \t\u0301é\uff0e\u2024nulcondamaged", min_size=1, max_size=60),
    st.binary(min_size=1, max_size=255).map(lambda raw: raw.decode("utf-8", "surrogateescape")),
)


@pytest.mark.parametrize("name", AS_THEY_ARE)
def test_what_any_host_can_hold_stays_as_it_is(name: str) -> None:
    assert host_name("/" + name) == host_name(name, leading_slash=False) == name


@pytest.mark.parametrize("name", SPELLED)
def test_what_may_mean_something_is_spelled(name: str) -> None:
    assert host_name(name) == SPELLED[name]


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("by_codes", [False, True])
def test_hostile_names_are_harmless_and_can_be_read_back(name: str, by_codes: bool) -> None:
    spelled = host_name("/" + name, by_codes=by_codes)
    assert fault_of_a_spelling(spelled) is None
    assert "%~" in spelled or meaning(spelled, leading_slash=True) == "/" + name


@settings(max_examples=200, deadline=None, derandomize=True)
@given(name=NAMES, leading_slash=st.booleans(), by_codes=st.booleans())
def test_any_name_is_harmless_and_can_be_read_back(name: str, leading_slash: bool, by_codes: bool) -> None:
    name = "/" + name if leading_slash else name
    spelled = host_name(name, leading_slash=leading_slash, by_codes=by_codes)
    assert fault_of_a_spelling(spelled) is None
    assert "%~" in spelled or meaning(spelled, leading_slash=leading_slash) == name
    assert ("%~" in spelled) == (len(spelled.encode()) == 247 and "%~" in spelled[-18:])


def test_long_names_are_cut_and_stay_apart() -> None:
    first, second = host_name("/" + "\t" * 254), host_name("/" + "\t" * 255)
    assert first != second
    assert all(spelled.startswith("%09%09") and spelled[-18:-16] == "%~" for spelled in (first, second))
    assert len(first) <= 247
    assert host_name("/" + "a" * 247) == "a" * 247
    assert host_name("/" + "a" * 248).startswith("a" * 200)


@settings(max_examples=80, deadline=None, derandomize=True)
@example(names={"5\u0301\u0323", "5\u0323\u0301"})
@given(names=st.sets(st.text("aAéÉ\u0301\u0323e./+%\u212ak", min_size=1, max_size=4), min_size=2, max_size=8))
def test_by_codes_no_host_takes_two_names_for_one(names: set[str]) -> None:
    spelled = {host_name("/" + name, by_codes=True) for name in names}
    assert len({unicodedata.normalize("NFKD", one).casefold() for one in spelled}) == len(names)
