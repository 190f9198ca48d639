"""A failing case is shrunk to few calls, and its line repeats it alone."""

from __future__ import annotations

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Geometry
from simfs.store.volume import Volume
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.case_text import Case, case_of
from simfs.study.cuts.judging.states import every_operation
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import record
from simfs.study.cuts.shrink import shrink
from simfs.study.pools import Here


def work(store: Store) -> None:
    """Some life, and among it names with what a shell or a line would mistake."""
    for number in range(12):
        name = ("log", "a; b", "#1", "ä%")[number % 4]
        with store.open(name, "a") as file:
            file.write(b"%d" % number * 9)
            file.seek(0)
            file.flush()
        if number % 5 == 4:
            store.rename(name, "kept")
        with store.open("settings", "r+" if number else "w") as file:
            file.seek(number)
            file.write(b"x" * 40)
            file.truncate(30)
    store.truncate("kept", 3)
    store.remove("settings")


def history() -> History:
    config = StoreConfig(buffer_bytes=32, name_bytes=12, fold_case=True, cleaner="oldest-first")
    return record(Store.format(NorFlash(8, 512, 64), config), work)


def test_a_case_is_one_line_and_back() -> None:
    case = case_of(history())
    line = str(case)
    assert "\n" not in line
    assert "'" not in line
    assert Case.parse(line) == case
    again = case.record()
    assert again.operations == history().operations
    assert again.events == history().events


def test_a_line_written_by_hand() -> None:
    case = Case.parse(
        "6x1024 page=64; buffer_bytes=32; open #1 /a w; write #1 end 8; write #1 0 =ff00; close #1; mount; idle 5"
    )
    assert case.geometry == Geometry(6, 1024, 64)
    assert case.config == StoreConfig(buffer_bytes=32)
    assert [call.kind for call in case.calls] == ["open", "write", "write", "close", "mount", "idle"]
    recorded = case.record()
    left = recorded.contents_after(len(recorded.events))
    assert left["/a"][:2] == b"\xff\x00"
    assert len(left["/a"]) == 8


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("", "'' in the case"),
        ("6x512", "6x512"),
        ("6x512 page=64; buffer=3", "buffer=3"),
        ("6x512 page=64; buffer_bytes=3", "it must be a whole number from 16"),
        ("6x512 page=64; ; write #1 8", "write #1 8"),
        ("6x512 page=64; ; melt /a", "it is no call"),
        ("6x512 page=64; ; write #1 end =0", "write #1 end =0"),
    ],
)
def test_a_bad_line_says_which_part_is_wrong(line: str, wrong: str) -> None:
    with pytest.raises(ValueError, match="right would be") as caught:
        Case.parse(line)
    assert wrong in str(caught.value)


def test_files_that_were_there_are_written_first() -> None:
    store = Store.format(NorFlash(8, 512, 64), StoreConfig(buffer_bytes=32, name_bytes=12))
    with store.open("old", "w") as file:
        file.write(b"was here")
    recorded = case_of(record(store, lambda watched: watched.rename("old", "new"))).record()
    assert recorded.contents_after(len(recorded.events)) == {"new": b"was here"}


def test_a_failing_case_is_shrunk_and_fails_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """It takes a write, a truncation and a cut after that to see what is planted here."""
    plant_resurrection(monkeypatch)
    recorded = history()
    found = campaign(recorded, every_operation(recorded), executor=Here(), violations_max=1).violations
    assert [violation.promise for violation in found] == ["contents"]
    shrunk = shrink(recorded, found[0])
    assert shrunk is not None
    case, cut = shrunk
    assert len(case.calls) <= 5
    alone = Case.parse(str(case)).record()
    again = campaign(alone, [cut]).violations
    assert [(violation.cut, violation.promise) for violation in again] == [(cut, "contents")]


def plant_resurrection(monkeypatch: pytest.MonkeyPatch) -> None:
    """A truncated file says its old size in the NAME frame."""
    write_name = Volume._write_name

    def forgetful(self: Volume, node, name, size, number) -> None:
        write_name(self, node, name, node.size if number == node.number else size, number)

    monkeypatch.setattr(Volume, "_write_name", forgetful)


def test_what_does_not_fail_on_a_new_store_is_not_shrunk(monkeypatch: pytest.MonkeyPatch) -> None:
    recorded = history()
    with monkeypatch.context() as planted:
        plant_resurrection(planted)
        planted_run = history()
        found = campaign(planted_run, executor=Here(), violations_max=1).violations
    assert shrink(recorded, found[0]) is None
