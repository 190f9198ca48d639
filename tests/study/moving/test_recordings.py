"""What a recording does not carry over: each with its line, and the figures of a fix that can be tried."""

from __future__ import annotations

from pathlib import Path
from zlib import crc32

import pytest

from simfs.files import Store
from simfs.flash import NorFlash
from simfs.study.moving.findings import ADVICE, LOST, REFUSED, Finding, Moving
from simfs.study.moving.moved import CannotMove
from simfs.study.moving.recordings.move import moving_recording
from simfs.study.moving.recordings.seldom_flushed import SeldomFlushed
from tests.replay.recorded.traces import trace_text


def found(place: Path, trace: str, to: str = "flash", settings: str = "", device: str | None = None) -> Moving:
    path = place / "recording.txt"
    path.write_text(trace_text(trace), "latin-1")
    return moving_recording(str(path), to, (settings,) if settings else (), device, "/d")


def of_kind(moving: Moving, kind: str) -> Finding:
    (one,) = (finding for finding in moving.findings if finding.kind == kind)
    return one


def tried(finding: Finding) -> dict[str, tuple[object, object]]:
    return {change.name: (change.before, change.after) for change in finding.tried}


def file_calls(name: str, *calls: str, flags: str = "O_WRONLY|O_CREAT|O_TRUNC", number: int = 3) -> str:
    """A file that is opened, dealt with and closed."""
    shown = f"{number}</d/{name}>"
    opened = f'1 openat(AT_FDCWD</d>, "{name}", {flags}, 0644) = {shown}'
    return "\n".join([opened, *(f"1 {call.replace('FD', shown)}" for call in calls), f"1 close({shown}) = 0", ""])


WRITE = 'write(FD, "06:00,2.41\\n", 11) = 11'


def test_directories_are_told_with_their_lines(tmp_path: Path) -> None:
    trace = (
        '1 mkdir("/d/log", 0777) = 0\n1 mkdir("/d/empty", 0777) = 0\n1 mkdir("/d/gone", 0777) = 0\n'
        + file_calls("log/a", WRITE)
        + "1 getdents64(5</d/log>, 0x55638ce352b0 /* 3 entries */, 32768) = 80\n"
        + '1 rmdir("/d/gone") = 0\n1 rmdir("/d/no") = -1 ENOENT (No such file or directory)\n'
    )
    moving = found(tmp_path, trace)
    assert [(one.kind, one.line, one.place, one.level) for one in moving.findings] == [
        ("directory made", 1, "/log", ADVICE),
        ("directory made", 2, "/empty", LOST),  # nothing of it is left
        ("directory made", 3, "/gone", ADVICE),
        ("directory listed", 7, "/log", ADVICE),
        ("directory removed", 8, "/gone", ADVICE),
    ]
    assert found(tmp_path, trace, "card").findings == ()  # which has directories


@pytest.mark.parametrize(
    "call",
    [
        'utimensat(AT_FDCWD</d>, "a", [{tv_sec=1, tv_nsec=0}, {tv_sec=1, tv_nsec=0}], 0) = 0',
        "utimensat(4</d/a>, NULL, NULL, 0) = 0",
        'utime("/d/a", NULL) = 0',
    ],
)
def test_times_are_not_kept(tmp_path: Path, call: str) -> None:
    one = of_kind(found(tmp_path, file_calls("a", WRITE) + f"1 {call}\n"), "times are not kept")
    assert (one.level, one.line, one.place) == (LOST, 4, "/a")


def test_times_of_other_files_are_nobody_s_business(tmp_path: Path) -> None:
    trace = file_calls("a", WRITE) + '1 utime("/elsewhere/a", NULL) = 0\n1 utimensat(4, NULL, NULL, 0) = 0\n'
    assert found(tmp_path, trace).findings == ()


def test_a_file_is_opened_to_be_written_over(tmp_path: Path) -> None:
    trace = file_calls("a", WRITE, 'write(FD, "more", 4) = 4') + file_calls("a", WRITE, flags="O_WRONLY|O_CREAT")
    one = of_kind(found(tmp_path, trace), "opened to be written over")
    assert (one.level, one.line, one.place) == (LOST, 5, "/a")
    assert one.seen == "/a has 15 bytes when it is opened with O_CREAT|O_WRONLY, and line 6 writes at 0"
    assert '"w" loses the 15 bytes' in one.happens


def test_appending_by_seeking_is_told(tmp_path: Path) -> None:
    trace = file_calls("a", WRITE) + file_calls("a", "lseek(FD, 0, SEEK_END) = 11", WRITE, flags="O_WRONLY")
    one = of_kind(found(tmp_path, trace), "append without append mode")
    assert (one.level, one.line, one.fix) == (ADVICE, 4, 'open it with "a"')


@pytest.mark.parametrize("flags", ["O_WRONLY|O_CREAT|O_APPEND", "O_WRONLY|O_CREAT|O_TRUNC", "O_RDWR"])
def test_modes_that_fopen_has_are_no_trouble(tmp_path: Path, flags: str) -> None:
    moving = found(tmp_path, file_calls("a", WRITE) + file_calls("a", WRITE, flags=flags))
    assert moving.findings == ()


def test_a_new_or_empty_file_loses_nothing(tmp_path: Path) -> None:
    trace = file_calls("a", WRITE, flags="O_WRONLY|O_CREAT") + file_calls("b") + file_calls("b", WRITE, flags="O_RDWR")
    assert found(tmp_path, trace).findings == ()


def test_more_files_than_may_be_open(tmp_path: Path) -> None:
    opened = "".join(
        f'1 openat(AT_FDCWD</d>, "f{at}", O_WRONLY|O_CREAT|O_TRUNC, 0644) = {at}</d/f{at}>\n' for at in range(3, 16)
    )
    written = "".join(f'1 write({at}</d/f{at}>, "ab", 2) = 2\n' for at in range(3, 16))
    moving = found(tmp_path, opened + written)
    one = of_kind(moving, "too many open files")
    assert (one.level, one.line, one.place) == (REFUSED, 9, "/f11")
    assert one.fix.endswith("store.open_files_max = 16")
    assert tried(one)["refused_operations"] == (10, 0)  # 5 opens, and a write for each
    assert of_kind(moving, "follows from another").line == 22


def test_a_name_too_long_and_a_longer_one_that_is_tried(tmp_path: Path) -> None:
    one = of_kind(found(tmp_path, file_calls("n" * 60, WRITE)), "name too long")
    assert (one.level, one.line) == (REFUSED, 1)
    assert one.fix.endswith("store.name_bytes = 62")
    assert tried(one)["refused_operations"] == (2, 0)


def test_names_that_are_cut_or_fall_together(tmp_path: Path) -> None:
    trace = file_calls("Config", WRITE) + file_calls("CONFIG", WRITE) + file_calls("n" * 60, WRITE)
    moving = found(tmp_path, trace, settings="store.overlong=cut")
    assert (of_kind(moving, "name cut").level, of_kind(moving, "name cut").line) == (LOST, 7)
    more = found(tmp_path, trace + file_calls("m" * 61, WRITE), settings="store.overlong=cut")
    assert of_kind(more, "name cut").seen.endswith("so 2 names in all")
    folded = of_kind(
        found(tmp_path, trace, settings="store.fold_case=true; store.name_bytes=80"), "names fall together"
    )
    assert tried(folded)["names_that_break"] == (1, 0)
    one = of_kind(found(tmp_path, trace, "card"), "names fall together")
    assert (one.level, one.line, one.place) == (LOST, 1, "/Config")


def test_what_a_card_can_t_hold_in_a_name(tmp_path: Path) -> None:
    one = of_kind(found(tmp_path, file_calls("06:00", WRITE), "card"), "characters refused")
    assert (one.level, one.line, one.fix) == (REFUSED, 1, 'name it "/06-00"')


def test_no_room_and_a_larger_store(tmp_path: Path) -> None:
    writes = [f'write(FD, "{"z" * 4096}", 4096) = 4096'] * 30
    moving = found(tmp_path, file_calls("raw", *writes), settings="chip.part=W25Q32JV; store.size=64KiB")
    one = of_kind(moving, "no room")
    assert one.level == REFUSED
    assert one.fix == 'store.size = "256 KiB"'
    assert tried(one)["refused_operations"][1] == 0


def test_a_link_is_lost(tmp_path: Path) -> None:
    one = of_kind(found(tmp_path, file_calls("a", WRITE) + '1 symlink("a", "/d/newest") = 0\n'), "a link")
    assert (one.level, one.line) == (LOST, 4)


@pytest.mark.parametrize("to", ["flash", "card"])
def test_many_small_flushes_are_measured_with_fewer(tmp_path: Path, to: str) -> None:
    trace = file_calls("log", *[WRITE, "fsync(FD) = 0"] * 60, flags="O_WRONLY|O_CREAT|O_APPEND")
    one = of_kind(found(tmp_path, trace, to), "many small flushes")
    assert (one.level, one.line, one.place) == (ADVICE, 1, "/log")
    before, after = tried(one)["programs"]
    assert isinstance(before, int)
    assert isinstance(after, int)
    assert 2 < after < before / 3


def test_a_file_that_is_closed_each_time_is_kept_open_instead(tmp_path: Path) -> None:
    trace = file_calls("log", WRITE, flags="O_WRONLY|O_CREAT|O_APPEND") * 60
    before, after = tried(of_kind(found(tmp_path, trace), "many small flushes"))["programs"]
    assert isinstance(before, int)
    assert isinstance(after, int)
    assert after < before / 3


def test_rewriting_in_place_is_a_habit(tmp_path: Path) -> None:
    trace = file_calls("state", WRITE) + file_calls(
        "state", *['pwrite64(FD, "06:00", 5, 2) = 5', "fsync(FD) = 0"] * 60, flags="O_RDWR"
    )
    one = of_kind(found(tmp_path, trace), "rewritten in place")
    assert (one.level, one.line) == (ADVICE, 1)
    assert one.seen.startswith("/state is written over 60 times: ")


def test_the_device_of_a_scenario_is_taken_where_it_is_of_that_kind(tmp_path: Path) -> None:
    device = tmp_path / "device.toml"
    device.write_text('[store]\nname_bytes = 16\n[chip]\nsize = "64 KiB"\n')
    trace = file_calls("n" * 30, WRITE)
    on_flash = found(tmp_path, trace, device=str(device))
    assert on_flash.onto.block_count == 16
    assert "has 31 bytes, and 15 fit" in of_kind(on_flash, "name too long").happens
    assert found(tmp_path, trace, "card", device=str(device)).lost_or_refused == 0


def test_a_console_s_log_has_the_modes_of_fopen(tmp_path: Path) -> None:
    calls = ["boot", "open 0 w /" + "n" * 60, "write 0 2 6869", "close 0"]
    lines = [f"@fs1 {number} {number} {call} " for number, call in enumerate(calls)]
    path = tmp_path / "console.log"
    path.write_text("".join(f"{line}{crc32(line.encode()):08x}\n" for line in lines))
    moving = moving_recording(str(path), "flash")
    assert of_kind(moving, "name too long").line == 2
    assert moving.not_seen
    with pytest.raises(CannotMove, match="leave it out"):
        moving_recording(str(path), "flash", directory="/d")


def test_what_is_no_recording_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("hello\n")
    with pytest.raises(CannotMove, match="it is not a recording; give a scenario"):
        moving_recording(str(path), "flash")


def test_a_store_that_flushes_seldom_keeps_every_byte() -> None:
    store = Store.format(NorFlash(block_count=16))
    seldom = SeldomFlushed(store, "/a", 3)
    for _ in range(4):
        for name in ("/a", "/b"):
            with seldom.open(name, "a") as file:
                file.write(b"xy")
    with seldom.open("/a", "w") as file:  # begins anew
        file.write(b"new")
    with seldom.open("/a", "r+") as file:
        assert file.read() == b"new"
    seldom.rename("/a", "/c")
    assert (store.stat("/b").size_bytes, store.stat("/c").size_bytes) == (8, 3)
    with seldom.open("/a", "w") as file:
        file.write(b"z")
    seldom.let_go()
    assert store.files_open == 0
    assert store.stat("/a").size_bytes == 1
