"""Names that take the place of those that a store can't keep."""

from __future__ import annotations

import pytest

from simfs.study.moving.names import apart, shorter, without


@pytest.mark.parametrize(
    ("text", "over", "expected"),
    [
        ("/wind/{date}.csv", 0, "/wind/{date}.csv"),
        ("/wind/{date}.csv", 1, "/win/{date}.csv"),
        ("/wind/{date}.csv", 3, "/w/{date}.csv"),
        ("/wind/{date}.csv", 4, None),
        ("/station/wind/{hour}.csv", 5, "/sta/win/{hour}.csv"),
        ("/wind/{year}-{month}/{date}.csv", 8, "/wind/{date}.csv"),
        ("/wind/{year}/{hour}.csv", 4, None),
        ("/w/{date}/{hour}.csv", 1, None),
        ("/settings.conf", 3, "/setti.conf"),
    ],
)
def test_a_pattern_gives_up_what_it_can(text: str, over: int, expected: str | None) -> None:
    assert shorter(text, over) == expected


@pytest.mark.parametrize(
    ("text", "refused", "expected"),
    [
        ("/a:b/{time}.csv", {":"}, "/a-b/{hour}{minute}{second}.csv"),
        ("/a?{counter:4}", {"?"}, "/a-{counter:4}"),
        ("/a. / b", set(), "/a/b"),
        ("/{{x}}:", {":"}, "/{{x}}-"),
    ],
)
def test_characters_are_taken_out(text: str, refused: set[str], expected: str) -> None:
    assert without(text, refused) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [("/A.INI", "/A2.INI"), ("/a", "/a2"), ("/x.d/a", "/x.d/a2"), ("/a.{counter}", "/a.{counter}2")],
)
def test_a_name_is_set_apart(text: str, expected: str) -> None:
    assert apart(text, 2) == expected
