"""The one-screen report of hand-built campaigns."""

import json
from dataclasses import replace
from typing import Any

import pytest

from simfs import StoreConfig
from simfs.files.heard import FileCall
from simfs.files.log_settings import settings_of
from simfs.show import WHOSE
from simfs.show.cuts import COLUMNS, as_text, call_in_words
from simfs.show.json import object_of
from simfs.study.cuts.firmware.causes import Cause
from simfs.study.cuts.firmware.consequences import Consequences, FileFindings, Losses
from simfs.study.cuts.report import VIOLATIONS_MAX, Broken, CutReport, CutSubject, InFlight, Places, ShortCase

SUBJECT = CutSubject(
    title="Doorbell", source="doorbell.toml", kind="scenario", file_calls=103, programs=137, erases=4,
    part="own geometry", block_count=6, block_bytes=512, settings=settings_of(StoreConfig()),
    places=Places(every="byte"),
    profile="program-contained", keeps_all=True,
)  # fmt: skip
IN_PLACE = FileFindings("/sound.ini", 1, 6, "line", {"whole": 700, "old": 100, "empty": 200}, Losses(5, 0, 5))
SAVED_ANEW = FileFindings("/count.ini", 1, 12, "line", {"whole": 500, "old": 500}, Losses(0, 0, 0))
EMPTIED = Cause(
    "emptied", "/sound.ini", '/sound.ini is emptied by open with "w" and stays empty until its close',
    "Write a new file and rename it over this one.", 200, 5, 6, 1018, "open", 5,
)  # fmt: skip
FOUND = Consequences(1000, 0, Losses(5, 0, 5), (SAVED_ANEW, IN_PLACE), (EMPTIED,))
REPORT = CutReport(SUBJECT, None, 1000, {"program: bytes": 1000}, (), FOUND)
LINE = "simfs cuts doorbell.toml --only 57:bytes=12"
BROKEN = Broken(
    "contents", "found nothing, allowed is '/set' (3 bytes)", "57:bytes=12", LINE,
    ShortCase(
        (FileCall("open", "/set", 1, "w"), FileCall("write", "", 1, at=-1, data=b"123"), FileCall("close", "", 1)),
        "simfs cuts --case '6x512 page=64; ; open #1 /set w; write #1 end 3; close #1' --only 3:nothing " + "x" * 100,
    ),
)  # fmt: skip


def report(**changes: Any) -> str:
    return as_text(replace(REPORT, **changes))


def flat(text: str) -> str:
    return " ".join(text.split())


def row(text: str, name: str) -> list[str]:
    line = next(line for line in text.splitlines() if line.removeprefix("! ").startswith(name))
    return line.split()


def test_fits_one_screen_in_plain_characters() -> None:
    text = report()
    assert len(text.splitlines()) <= 40
    assert max(map(len, text.splitlines())) <= COLUMNS
    assert text.isascii()
    assert WHOSE in text


def test_what_ran_where_it_was_cut_and_that_the_store_kept_its_promises() -> None:
    text = flat(report())
    assert "Doorbell scenario doorbell.toml: 103 file calls, 137 programs and 4 erases of the flash" in text
    assert "6 blocks of 512 bytes" in text
    assert "Power cut at every byte, fault profile program-contained: 1,000 states. In each of them" in text
    assert "the store mounts, holds all that was acknowledged, finds the same again at the next mount" in text
    assert "This holds for this run and this fault profile only. A model lost its power" in text


def test_the_worst_file_comes_first_and_only_that_one_is_marked() -> None:
    text = report()
    assert row(text, "/sound.ini") == ["!", "/sound.ini", "70.0", "10.0", "20.0", "5", "lines", "0", "5"]
    assert row(text, "/count.ini") == ["/count.ini", "50.0", "50.0", "-", "0", "lines", "0", "0"]
    assert text.index("/sound.ini") < text.index("/count.ini")
    assert "short" not in text.split("What causes it")[0]  # what never occurred has no column
    assert "All files together lose at most 5 readings, in half of the states none, in 95 % at most 5" in flat(text)


def test_a_cause_says_how_often_where_first_and_what_to_do() -> None:
    text = flat(report())
    assert (
        '! /sound.ini is emptied by open with "w" and stays empty until its close. Seen in 5 of 6 changes, first in '
        "file call 1,018 (open), at worst 5 readings lost. Write a new file and rename it over this one." in text
    )


def test_causes_of_a_kind_are_described_once() -> None:
    others = tuple(replace(EMPTIED, name=f"/{at}.ini") for at in range(5))
    text = flat(report(consequences=replace(FOUND, causes=(EMPTIED, *others))))
    assert "The same with /0.ini, /1.ini, /2.ini, 2 more. Write a new file" in text
    assert text.count("Write a new file") == 1


def test_without_a_cause_it_says_so() -> None:
    text = report(consequences=Consequences(1000, 0, Losses(0, 0, 0), (SAVED_ANEW,), ()))
    assert "No order of operations was seen that costs anything" in text
    assert "No reading is lost." in text
    assert "!" not in text


@pytest.mark.parametrize(
    ("places", "words"),
    [
        (Places(every="operation"), "Power cut at every operation, fault"),
        (Places(sample=1, seed=7), "Power cut at 1 place drawn with seed 7, fault"),
        (Places(every="bit", depth=2), "Power cut at every bit, and in each recovery, fault"),
        (
            Places(sample=2000, seed=0, depth=3),
            "at 2,000 places drawn with seed 0, in each recovery, and in one of that",
        ),
    ],
)
def test_where_it_was_cut(places: Places, words: str) -> None:
    assert words in flat(report(subject=replace(SUBJECT, places=places)))


def test_one_cut_says_what_it_interrupts() -> None:
    subject = replace(SUBJECT, places=Places(only="57:bytes=12"))
    flight = InFlight(57, 1234, b"x" * 29, 17, FileCall("rename", "/count.new", to="/count.ini"))
    text = flat(report(subject=subject, in_flight=flight, states=1))
    assert (
        "Power cut once, at 57:bytes=12: in a program of 29 bytes at address 1,234, in file call 17, rename "
        "/count.new to /count.ini, fault profile program-contained: 1 state. The store mounts" in text
    )
    assert "in an erase at address" in flat(report(subject=subject, in_flight=replace(flight, data=None), states=1))


def test_a_broken_promise_has_lines_to_paste_whole() -> None:
    text = report(broken=(BROKEN,))
    assert "! 1 state breaks a promise of the store. That is a fault of simfs, not of your firmware:" in text
    lines = [line.strip() for line in text.splitlines()]
    assert "! contents: found nothing, allowed is '/set' (3 bytes)" in lines
    assert LINE in lines
    assert BROKEN.short is not None
    assert BROKEN.short.repeat in lines  # however long
    assert lines[lines.index("shortest: 3 file calls") + 1 :][:3] == [
        'open /set "w" as 1',
        "write 3 bytes at the end of 1",
        "close 1",
    ]
    assert "holds all that was acknowledged" not in text


def test_many_broken_promises_stay_short() -> None:
    text = report(broken=(replace(BROKEN, short=None),) * VIOLATIONS_MAX)
    assert "There the campaign ended" in text
    assert "17 more with --json" in text
    assert "There the campaign ended" not in report(broken=(BROKEN,))


def test_where_a_part_spoils_more_the_store_may_say_that_it_is_damaged() -> None:
    subject = replace(SUBJECT, profile="sector-collateral", keeps_all=False)
    text = flat(report(subject=subject, consequences=replace(FOUND, damaged=3)))
    assert "holds all that was acknowledged or tells that some may be lost (3 states)" in text


def test_many_files_and_long_names_stay_on_the_screen() -> None:
    states = dict.fromkeys(("whole", "old", "empty", "short", "mixed", "missing", "left over"), 100)
    files = tuple(
        FileFindings(f"/{'long' * 20}{at}", 1, 1, "record", states, Losses(1234, 12, 1000)) for at in range(40)
    )
    text = report(consequences=replace(FOUND, files=files))
    assert max(map(len, text.splitlines())) <= COLUMNS
    assert "28 more files with --json" in text


def test_hostile_names_are_escaped() -> None:
    hostile = "/a\nb\x1b[2J"
    files, causes = (replace(IN_PLACE, name=hostile),), (replace(EMPTIED, name=hostile, what=f"{hostile} is bad"),)
    flight = InFlight(0, 0, b"", 0, FileCall("open", hostile, 1, "w"))
    text = report(
        subject=replace(SUBJECT, title=hostile, source=hostile, places=Places(only="0:all")), in_flight=flight,
        consequences=replace(FOUND, files=files, causes=causes + causes),
        broken=(replace(BROKEN, what=hostile),),
    )  # fmt: skip
    assert "\x1b" not in text
    assert "\nb" not in text


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (FileCall("truncate", "/a", at=1000), "truncate /a to 1,000 bytes"),
        (FileCall("truncate", "", 3, at=0), "truncate 3 to 0 bytes"),
        (FileCall("remove", "/a", error="ENOENT"), "remove /a: refused, ENOENT"),
        (FileCall("write", "", 2, at=7, data=b"1"), "write 1 byte at 7 of 2"),
        (FileCall("flush", "", 2), "flush 2"),
        (FileCall("mount"), "boot"),
        (FileCall("idle", at=5), "idle time"),
    ],
)
def test_a_file_call_in_words(call: FileCall, words: str) -> None:
    assert call_in_words(call) == words


def test_json_has_the_same_figures() -> None:
    found = json.loads(object_of(replace(REPORT, broken=(BROKEN,))))
    assert found["note"] == WHOSE
    assert (found["states"], found["consequences"]["states"]) == (1000, 1000)
    assert found["consequences"]["files"][1]["states"] == {"whole": 700, "old": 100, "empty": 200}
    assert found["consequences"]["causes"][0]["of_changes"] == 6
    assert found["broken"][0]["repeat"] == LINE
    assert found["broken"][0]["short"]["calls"][1]["data"] == "313233"
    assert found["ended_early"] is False
