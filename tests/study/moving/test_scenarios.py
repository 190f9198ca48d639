"""What a scenario does not carry over from a card to flash or back, and that each fix helps as its figures say."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfs.study.moving.findings import ADVICE, LOST, REFUSED, Finding, Moving
from simfs.study.moving.moved import CannotMove
from simfs.study.moving.scenarios.move import moving_scenario

HEAD = """\
[store]
kind = "KIND"
name_bytes = 200
[chip]
size = "256 KiB"
[card]
size = "16 MiB"
[run]
start = 2031-09-28
duration = "2 d"
"""
CARD, FLASH = HEAD.replace("KIND", "card"), HEAD.replace("KIND", "flash")


def task(every: str, operations: str) -> str:
    return f'[[task]]\nname = "device"\nevery = "{every}"\noperations = [\n{operations}\n]\n'


def found(place: Path, text: str, to: str = "flash", settings: str = "") -> Moving:
    path = place / "logger.toml"
    path.write_text(text)
    return moving_scenario(str(path), to, (settings,) if settings else ())


def of_kind(moving: Moving, kind: str) -> Finding:
    (one,) = (finding for finding in moving.findings if finding.kind == kind)
    return one


def tried(finding: Finding) -> dict[str, tuple[object, object]]:
    return {change.name: (change.before, change.after) for change in finding.tried}


def test_a_name_that_is_too_long_gets_a_shorter_pattern(tmp_path: Path) -> None:
    text = CARD + task(
        "1 h", '{ do = "append", file = "/station-north/wind/{year}-{month}/{date}.csv", size = "200 B" },'
    )
    moving = found(tmp_path, text, settings="store.name_bytes=32")
    one = of_kind(moving, "name too long")
    assert (one.level, one.line, one.place) == (REFUSED, 15, "task[0].operations[0]")
    assert "refused each time with ENAMETOOLONG" in one.seen
    assert "has 42 bytes, and 31 fit" in one.happens
    assert '"/stat-north/wind/{date}.csv"' in one.fix  # 42 - 8 for the month, which the date says too, - 3 letters
    assert tried(one)["refused_operations"] == (48, 0)


def test_a_name_that_is_cut_loses_what_was_in_another_file(tmp_path: Path) -> None:
    text = CARD + task("1 h", '{ do = "append", file = "/wind/of/the/north/{date}.csv", size = "200 B" },')
    moving = found(tmp_path, text, settings="store.name_bytes=24; store.overlong=cut")
    cut, together = of_kind(moving, "name cut"), of_kind(moving, "names fall together")
    assert {cut.level, together.level} == {LOST}
    assert cut.line == together.line == 15
    assert tried(cut)["names_that_break"] == (3, 0)  # two are too long, and fall together
    assert moving.lost_or_refused == 2


def test_names_apart_in_case_are_one_file_on_a_card(tmp_path: Path) -> None:
    text = FLASH + task(
        "1 h", '{ do = "append", file = "/a.ini", size = "9 B" },\n{ do = "append", file = "/A.INI", size = "9 B" },'
    )
    one = of_kind(found(tmp_path, text, "card"), "names fall together")
    assert (one.level, one.line) == (LOST, 15)
    assert '"/a2.ini" in place of "/a.ini"' in one.fix
    assert tried(one)["names_that_break"] == (1, 0)


def test_and_one_file_of_a_card_becomes_two(tmp_path: Path) -> None:
    text = CARD + task(
        "1 h", '{ do = "append", file = "/a.ini", size = "9 B" },\n{ do = "append", file = "/A.INI", size = "9 B" },'
    )
    one = of_kind(found(tmp_path, text), "one file becomes two")
    assert one.level == LOST
    assert tried(one) == {"files": (2, 1)}


def test_names_that_were_cut_and_are_apart_now_are_no_loss(tmp_path: Path) -> None:
    text = FLASH.replace("name_bytes = 200", 'name_bytes = 16\noverlong = "cut"')
    text += task("1 h", '{ do = "append", file = "/wind/of/the/north/{date}.csv", size = "200 B" },')
    assert found(tmp_path, text, "card").lost_or_refused == 0


def test_what_a_card_can_t_hold_in_a_name_is_taken_out(tmp_path: Path) -> None:
    text = FLASH + task("1 h", '{ do = "write", file = "/log/{date} {time}?.csv", size = "20 B" },')
    one = of_kind(found(tmp_path, text, "card"), "characters refused")
    assert one.happens == "the card can't hold : ? in a name"
    assert '"/log/{date} {hour}{minute}{second}-.csv"' in one.fix
    assert tried(one)["refused_operations"] == (48, 0)


def test_a_file_that_is_a_directory_too_is_refused_on_a_card(tmp_path: Path) -> None:
    text = FLASH + task(
        "1 h", '{ do = "write", file = "/log/a", size = "20 B" },\n{ do = "write", file = "/log", size = "20 B" },'
    )
    one = of_kind(found(tmp_path, text, "card"), "a file and a directory")
    assert (one.level, one.line) == (REFUSED, 16)
    assert tried(one)["refused_operations"] == (48, 0)


@pytest.mark.parametrize(
    ("to", "text", "settings", "fix"),
    [
        ("flash", CARD, "store.size=64KiB", 'store.size = "128 KiB"'),
        ("flash", CARD.replace('size = "256 KiB"', 'part = "W25Q32JV"'), "store.size=64KiB", 'store.size = "128 KiB"'),
        ("card", FLASH, "card.size=32KiB", 'card.size = "128 KiB"'),
    ],
    ids=["own chip", "part", "card"],
)
def test_what_has_no_room_gets_a_larger_store(tmp_path: Path, to: str, text: str, settings: str, fix: str) -> None:
    text += task("12 h", '{ do = "create", file = "/{counter:4}.raw", size = "15 KiB" },')
    one = of_kind(found(tmp_path, text, to, settings), "no room")
    assert (one.level, one.line, one.fix) == (REFUSED, 15, fix)
    assert tried(one)["refused_operations"][1] == 0


def test_a_file_that_no_empty_store_takes_is_told_apart(tmp_path: Path) -> None:
    text = CARD + task("12 h", '{ do = "write", file = "/raw", size = "50 KiB" },')
    one = of_kind(found(tmp_path, text, settings="store.size=64KiB"), "no room")
    assert one.happens.startswith("the file alone has 51,200 bytes, and the empty store takes ")


def test_room_that_ends_after_the_run_is_found_by_going_on(tmp_path: Path) -> None:
    text = CARD + task("1 h", '{ do = "append", file = "/{date}.csv", size = "200 B", keep = 40 },')
    one = of_kind(found(tmp_path, text, settings="store.size=128KiB"), "no room later")
    assert one.level == REFUSED  # it was seen, not projected
    assert one.fix == 'store.size = "256 KiB"'
    before, after = tried(one)["full_after_ns"]
    assert isinstance(before, int)
    assert after is None


def test_small_pieces_are_gathered_and_the_effect_is_measured(tmp_path: Path) -> None:
    text = CARD + task("10 min", '{ do = "append", file = "/log", size = "20 B" },')
    moving = found(tmp_path, text)
    one = of_kind(moving, "many small pieces")
    assert (one.level, moving.lost_or_refused) == (ADVICE, 0)
    assert one.fix.startswith("gather = 6: ")  # half a page of 256 bytes
    before, after = tried(one)["programs"]
    assert isinstance(before, int)
    assert isinstance(after, int)
    assert after < before / 3
    assert "288 times append, 20 bytes each" in one.seen


def test_few_or_large_pieces_are_no_habit(tmp_path: Path) -> None:
    for every, size in (("2 h", "20 B"), ("10 min", "100 B")):
        text = CARD + task(every, f'{{ do = "append", file = "/log", size = "{size}" }},')
        kinds = [one.kind for one in found(tmp_path, text).findings]
        assert kinds == ["no room later"]  # it is never removed


def test_a_file_that_is_written_over_again_and_again_is_a_habit(tmp_path: Path) -> None:
    operations = (
        '{ do = "create", file = "/ring", size = "1 KiB", only_if = "absent" },\n'
        '{ do = "update", file = "/ring", size = "16 B" },\n{ do = "write", file = "/state", size = "40 B" },'
    )
    moving = found(tmp_path, CARD + task("10 min", operations))
    ring, state = of_kind(moving, "rewritten in place"), of_kind(moving, "written anew again and again")
    assert (ring.line, state.line) == (16, 17)
    before, after = tried(state)["programs"]
    assert isinstance(before, int)
    assert isinstance(after, int)
    assert after < 0.6 * before


def test_directories_are_told_and_lists_by_prefix(tmp_path: Path) -> None:
    operations = (
        '{ do = "write", file = "/log/deep/a", size = "300 B" },\n{ do = "write", file = "/logs", size = "300 B" },\n'
        '{ do = "list", prefix = "/log/deep/" },\n{ do = "list", prefix = "/log" },'
    )
    moving = found(tmp_path, CARD + task("1 h", operations))
    assert of_kind(moving, "directory").line == 15
    listed = of_kind(moving, "directory listed")
    assert (listed.line, listed.level) == (18, ADVICE)
    assert 'a list of "/log" gives 2 names, 2 not in that directory' in listed.seen


def test_all_fixes_are_tried_together(tmp_path: Path) -> None:
    operations = (
        f'{{ do = "write", file = "/{"n" * 60}.csv", size = "300 B" }},\n'
        '{ do = "create", file = "/{counter:4}.raw", size = "6 KiB" },'
    )
    moving = found(tmp_path, CARD + task("4 h", operations), settings="store.size=64KiB")
    long, room = of_kind(moving, "name too long"), of_kind(moving, "no room")
    whole = {change.name: (change.before, change.after) for change in moving.together}
    assert tried(long)["refused_operations"][1] != 0
    assert tried(room)["refused_operations"][1] != 0
    assert whole["refused_operations"][1] == 0
    alone = found(tmp_path, CARD + task("4 h", operations.partition("\n")[0]))
    assert (alone.lost_or_refused, alone.together) == (1, ())


def test_what_was_refused_before_the_move_is_not_told(tmp_path: Path) -> None:
    text = CARD + task("1 h", '{ do = "read", file = "/absent" },')
    assert found(tmp_path, text).findings == ()


def test_the_old_driver_s_rules_stay_behind(tmp_path: Path) -> None:
    name = "/" + "n" * 60
    text = task("1 h", f'{{ do = "write", file = "{name}", size = "300 B" }},')
    assert of_kind(found(tmp_path, CARD + text), "name too long").line == 15
    assert found(tmp_path, FLASH + text, "card").lost_or_refused == 0


def test_a_store_on_both_does_not_move(tmp_path: Path) -> None:
    text = FLASH.replace('"flash"', '"both"') + '[both]\nrole = "mirror"\n'
    text += task("1 h", '{ do = "write", file = "/a", size = "300 B" },')
    with pytest.raises(CannotMove, match="on a card and flash already"):
        found(tmp_path, text)


@pytest.mark.parametrize(
    ("to", "settings", "wrong"),
    [
        ("card", "", "its files are on card already; give --to flash"),
        ("flash", "store.size", "--with store.size: it gives no value"),
        ("flash", "store.sise=1MiB", "store.sise: there is no such key; did you mean size?"),
        ("flash", "store.size=1MiB", "store.size: "),
    ],
)
def test_what_can_t_be_tried_is_one_line(tmp_path: Path, to: str, settings: str, wrong: str) -> None:
    text = CARD + task("1 h", '{ do = "write", file = "/a", size = "300 B" },')
    with pytest.raises(CannotMove) as caught:
        found(tmp_path, text, to, settings)
    (line,) = caught.value.faults
    assert wrong in line
