"""Scenarios with flash and card: what is wrong with one is told in one line each."""

from __future__ import annotations

import tomllib

import pytest

from simfs.replay.play import play
from simfs.replay.scenario.input_faults import BadScenario
from simfs.replay.scenario.load import parse_scenario
from simfs.replay.scenario.remarks import remarks

SOUND = """\
[chip]
size = "256 KiB"
[card]
size = "1 MiB"
[store]
kind = "both"
[both]
role = "buffer"
drained = "/log/"
[[card_out]]
at = 2031-01-01 02:00:00
lasts = "1 h"
[run]
duration = "6 h"
[[task]]
name = "log"
every = "10 min"
operations = [{ do = "append", file = "/log/{hour}.csv", text = "{time}\\n" }]
"""


AT = "at = 2031-01-01 02:00:00\n"


def faults(text: str) -> list[str]:
    try:
        parse_scenario(text.encode(), "two.toml")
    except BadScenario as error:
        return [str(fault) for fault in error.faults]
    return []


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('role = "buffer"', 'role = "bufer"', "two.toml:8: both.role: "),
        ('role = "buffer"', "", "two.toml:7: both.role: it is missing; write "),
        ('drained = "/log/"', "", 'two.toml:7: both: a buffer has to know which files are readings; write drained'),
        ('drained = "/log/"', 'drained = "log"', 'two.toml:9: both.drained: "log" begins no name of readings alone'),
        ('role = "buffer"', 'role = "mirror"', "two.toml:7: both: drained is for a buffer"),
        ('role = "buffer"\ndrained = "/log/"', 'role = "mirror"\ndrain_every = "2 h"', "two.toml:7: both: drain_every"),
        ('drained = "/log/"', 'drained = "/log/"\ndrain_every = "0 s"', "two.toml:10: both.drain_every: '0 s'"),
        ('[both]\nrole = "buffer"\ndrained = "/log/"\n', "", "two.toml:1: both: it is missing; write "),
        ('kind = "both"', 'kind = "twins"', "two.toml:6: store.kind: "),
        ('[chip]\nsize = "256 KiB"\n', "", "two.toml:1: chip: it is missing"),
        ('lasts = "1 h"', "", "two.toml:10: card_out[0].lasts: it is missing"),
        (AT, "", "two.toml:10: card_out[0]: nothing says when it is taken out"),
        (AT, 'at = "noon"\n', "two.toml:11: card_out[0].at"),
        (AT, AT + 'first = "1 h"\n', "two.toml:10: card_out[0]: first goes"),
        (AT, AT + 'every = "2 h"\n', "two.toml:10: card_out[0]: it has at and every"),
        (AT, 'every = "1 h"\n', "two.toml:10: card_out[0]: every is no longer than lasts"),
        ("[[card_out]]", "[card_out]", "two.toml:10: card_out: it is one table, where a list of tables belongs"),
        ('do = "append"', 'do = "write"', "two.toml:18: task[0].operations[0].file: /log/{hour}.csv is drained"),
        ('file = "/log/{hour}.csv"', 'file = "/.CARD"', "two.toml:18: task[0].operations[0].file: /.card is the file"),
        ('kind = "both"', 'kind = "both"\nname_bytes = 6', "two.toml:7: store.name_bytes: the firmware's own notes"),
        ('kind = "both"', 'kind = "both"\nstart = "1 KiB"', "two.toml:7: store.start: 1 KiB is not whole erase blocks"),
    ],
)  # fmt: skip
def test_a_fault_is_one_line_with_its_place(old: str, new: str, said: str) -> None:
    assert old in SOUND
    found = faults(SOUND.replace(old, new))
    assert len(found) == 1, found
    assert found[0].startswith(said), found
    assert ";" in found[0] or "right would be" in found[0]


def test_its_tables_are_for_no_other_kind() -> None:
    found = faults(SOUND.replace('kind = "both"', 'kind = "card"'))
    assert [line.partition(": it is for")[0] for line in found] == ["two.toml:7: both", "two.toml:10: card_out"]


def test_a_rename_into_what_is_drained_is_refused() -> None:
    moved = SOUND.replace(
        'do = "append", file = "/log/{hour}.csv", text = "{time}\\n"', 'do = "rename", file = "/a", to = "/LOG/a"'
    )
    (fault,) = faults(moved)
    assert fault.startswith("two.toml:18: task[0].operations[0].to: /LOG/a is drained")


def test_a_sound_one_plays_and_the_card_is_out_as_it_says() -> None:
    run = play(parse_scenario(SOUND.encode(), "two.toml"), "two.toml")
    assert run.refusals == []
    assert tomllib.loads(SOUND)["store"]["kind"] == "both"
    assert run.store.slot.outs == 1  # type: ignore[attr-defined]
    assert sorted(run.tasks) == ["(to the card)", "log"]
    drains = run.tasks["(to the card)"].operations
    assert drains["look"] == 5, "once an hour, after the first one"
    assert drains["bring"] >= 4, "at 02:00 the card is out"


def test_a_card_that_is_taken_out_after_the_run_is_remarked(tmp_path) -> None:
    path = tmp_path / "two.toml"
    path.write_text(SOUND.replace("2031-01-01 02:00:00", "2031-02-01"))
    (remark,) = remarks(parse_scenario(path.read_bytes(), str(path)), path)
    assert "the card is taken out when the run is over, so this has no effect" in str(remark)
    assert str(remark).startswith(f"{path}:11: card_out[0].at: ")
