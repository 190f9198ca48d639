"""What is made of the charges: like names together, and lines for a flame graph."""

from __future__ import annotations

from random import Random

import pytest

from simfs.study.wearers import files as files_module
from simfs.study.wearers import ledger as ledger_module
from simfs.study.wearers.files import Files
from simfs.study.wearers.ledger import OTHER_FILES, Ledger
from simfs.study.wearers.owners import Owners
from simfs.study.wearers.report import Wearer, Wearers


def test_files_whose_names_differ_in_digits_stand_together() -> None:
    found = Wearers(60, 3, (
        Wearer("a", "/2031-01-01.csv", "data", 10, 1_000_000), Wearer("a", "/2031-01-02.csv", "data", 20, 500_000),
        Wearer("a", "/2031-01-2.csv", "data", 5, 0), Wearer("b", "/2031-01-02.csv", "data", 25, 1_500_000),
    )).with_like_names()  # fmt: skip
    assert found.programmed_bytes == 60
    assert found.wearers == (
        Wearer("a", "/####-##-##.csv", "data", 30, 1_500_000, 2),
        Wearer("b", "/2031-01-02.csv", "data", 25, 1_500_000),  # one alone keeps its name
        Wearer("a", "/2031-01-2.csv", "data", 5, 0),
    )


def test_a_stack_is_one_line_whatever_the_names_are() -> None:
    found = Wearers(
        15, 1, (Wearer("a b;c", "/x\n%\x1b\u2028\udc80 y", "data", 15, 1_000_000), Wearer("", "", "", 0, 0))
    )
    assert list(found.stacks()) == ["a b%3Bc;/x%0A%25%1B%E2%80%A8%ED%B2%80 y;data 15"]
    assert [line.rpartition(" ")[2] for line in found.stacks(of_erases=True)] == ["1000000"]


def test_beyond_many_names_files_are_not_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ledger_module, "FILES_MAX", 10)
    ledger = Ledger(1)
    for number in range(13):
        ledger.in_block[0][ledger.number("a", f"/{number}", "data")] += 2
    found = ledger.report()
    assert found.programmed_bytes == 26
    assert len(found.wearers) == 11
    assert [one.programmed_bytes for one in found.wearers if one.file == OTHER_FILES] == [6]


def test_names_that_are_gone_are_forgotten_in_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files_module, "GONE_KEPT", 10)
    files = Files([], "", fold_case=True)
    for number in range(11):
        files.named(number.to_bytes(4, "little"), b"/%d" % number, "a")
        files.taken_away(b"/%d" % number, "b")
    assert files.namer(b"/0") is None
    assert files.namer(b"/1") == "b"
    assert not files.by_name
    assert not files.by_number


def test_owners_are_those_of_every_single_byte() -> None:
    draw, size = Random(5), 300
    for _ in range(30):
        owners, each = Owners("A"), ["A"] * size
        for _ in range(40):
            begin = draw.randrange(size)
            end, task = draw.randrange(begin, size) + 1, draw.choice("ABC")
            owners.wrote(begin, end, task)
            each[begin:end] = task * (end - begin)
            first = draw.randrange(size)
            last = draw.randrange(first, size)
            assert [task for task, count in owners.of(first, last) for _ in range(count)] == each[first:last]
