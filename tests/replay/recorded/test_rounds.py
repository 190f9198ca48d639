"""A recording carried on: the same work again, so many times or until the device time has passed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from simfs.files import Store
from simfs.flash import NorFlash
from simfs.replay.device.clock import NS_PER_S
from simfs.replay.device.device import Run
from simfs.replay.recorded.console.log import replay_console_log
from simfs.replay.recorded.faults import BadRecording
from simfs.replay.recorded.rounds import Rounds
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from tests.replay.recorded.traces import NEW, files_in, replay_trace, skipped_in
from tests.support.console_text import console, spelled, text_of

APPENDS = '1 openat(AT_FDCWD</d>, "a", O_WRONLY|O_CREAT|O_APPEND, 0644) = 3</d/a>\n1 write(3</d/a>, "ab", 2) = 2\n'
LOG = ["boot", "open 3 a /a", "write 3 2 6162", "close 3"]


def replay_log(place: Path, lines: list[str], **options: Any) -> Run:
    path = place / "console.log"
    path.write_text(text_of(lines))
    return replay_console_log(path, Store.format(NorFlash(block_count=16)), **options)


def test_the_work_is_done_again_and_the_time_goes_on(tmp_path: Path) -> None:
    run = replay_trace(tmp_path, APPENDS, rounds=Rounds(5))
    assert files_in(run) == {"/a": b"ab" * 5}
    assert dict(run.tasks["process 1"].operations) == {"open": 5, "write": 5, "close": 5}
    assert run.duration_ns // NS_PER_S == 5
    run = replay_log(tmp_path, console(*LOG), rounds=Rounds(5))
    assert files_in(run) == {"/a": b"ab" * 5}
    assert (len(run.boots), run.title) == (6, "console: what the firmware printed on its console, 5 times")


@pytest.mark.parametrize("seconds", [1, 7, 30])
def test_it_ends_when_the_time_has_passed(tmp_path: Path, seconds: int) -> None:
    run = replay_trace(tmp_path, APPENDS, rounds=Rounds(duration_ns=seconds * NS_PER_S))
    assert run.duration_ns == seconds * NS_PER_S
    assert files_in(run) == {"/a": b"ab" * (seconds - 1)}  # the call at the end is not done any more
    lines = [
        spelled(0, 0, "boot"),
        spelled(1, 500, "open 1 a /a"),
        spelled(2, 900, "write 1 1 61"),
        spelled(3, 1000, "close 1"),
    ]
    run = replay_log(tmp_path, lines, rounds=Rounds(duration_ns=seconds * NS_PER_S))
    assert run.duration_ns // NS_PER_S == seconds
    assert files_in(run) == {"/a": b"a" * seconds}


def test_later_rounds_find_what_the_first_one_left(tmp_path: Path) -> None:
    """What the host saw is compared in the first round only, and what it made anew is made anew."""
    text = """1 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT, 0644) = 3</d/a>
        1 lseek(3</d/a>, 0, SEEK_END) = 0
        1 write(3</d/a>, "ab", 2) = 2
        1 fstat(3</d/a>, {st_mode=S_IFREG|0644, st_size=2, ...}) = 0
        1 pread64(3</d/a>, "ab", 9, 0) = 2
        1 openat(AT_FDCWD</d>, "lock", O_RDWR|O_CREAT|O_EXCL, 0644) = 4</d/lock>
        1 write(4</d/lock>, "x", 1) = 1
        1 link("/d/a", "/d/b") = 0
        1 unlink("/d/b") = 0
        1 sendfile(1</dev/null>, 3</d/a>, [0] => [2], 9) = 2"""
    run = replay_trace(tmp_path, text, rounds=Rounds(3), strict=True)
    assert files_in(run) == {"/a": b"ababab", "/lock": b"x"}
    assert (skipped_in(run), run.differing, run.refusals) == ([], [], [])


def test_what_could_not_be_replayed_is_told_once(tmp_path: Path) -> None:
    text = NEW + '1 sendfile(3</d/a>, 9</etc/x>, NULL, 9) = 7\n1 nonsense\n1 openat(AT_FDCWD</d>, "old", O_RDONLY) = 5'
    once, often = replay_trace(tmp_path, text), replay_trace(tmp_path, text, rounds=Rounds(4))
    assert often.skipped == once.skipped
    assert often.differing == once.differing
    lines = console(*LOG, "open 3 a /a", "write 3 1 61", "close 3")
    once, often = (replay_log(tmp_path, lines[:2] + lines[3:], rounds=Rounds(count)) for count in (1, 4))
    assert often.skipped == once.skipped


def test_a_log_without_a_boot_line_goes_on_without_one(tmp_path: Path) -> None:
    once = replay_log(tmp_path, console(*LOG[1:-1], "open 4 w /b"))
    run = replay_log(tmp_path, console(*LOG[1:-1], "open 4 w /b"), rounds=Rounds(3))
    assert run.skipped == once.skipped  # none that a file is still open
    assert files_in(run) == {"/a": b"ab" * 3, "/b": b""}
    assert len(run.boots) == 1
    run = replay_log(tmp_path, console(*LOG[:-1]), rounds=Rounds(3))
    assert files_in(run) == {"/a": b"ab"}  # a boot loses what no flush or close made durable


def test_what_would_never_end_is_refused(tmp_path: Path) -> None:
    with pytest.raises(
        BadRecording, match=r"recording: its work takes 0 s of device time, so it would .*; give --repeat"
    ):
        replay_trace(tmp_path, '1 unlink("/d/a") = -1 ENOENT', rounds=Rounds(duration_ns=NS_PER_S))
    for rounds in (Rounds(duration_ns=10**9 * NS_PER_S), Rounds(10**9)):
        with pytest.raises(BadRecording, match="more than 50,000,000 are not carried out; ask for less"):
            replay_trace(tmp_path, APPENDS, rounds=rounds)
        with pytest.raises(BadRecording, match="more than 50,000,000 are not carried out; ask for less"):
            replay_log(tmp_path, console(*LOG), rounds=rounds)


@pytest.mark.parametrize("rounds", [Rounds(4), Rounds(duration_ns=4 * NS_PER_S)])
def test_progress_is_that_of_all_rounds(tmp_path: Path, rounds: Rounds) -> None:
    told: list[float] = []
    replay_trace(tmp_path, APPENDS, rounds=rounds, progress=lambda done, whole: told.append(done / whole))
    assert told == sorted(told)
    assert told[-1] == 1
    assert len({round(share, 2) for share in told}) >= 4


@pytest.mark.parametrize("count", [2, 3, 4, 7, 40])
def test_growth_shows_from_round_to_round(tmp_path: Path, count: int) -> None:
    """Though each round has a file that is far larger than what it leaves, and removes it."""
    passing = ["open 4 w /tmp", "write 4 9000", "close 4", "remove /tmp"]
    run = replay_log(tmp_path, console(*LOG, *passing), rounds=Rounds(count))
    of_rounds = 1 << count.bit_length() - 2  # the latest that are compared: 1 and 2, 2 and 4, 4 and 8 and so on
    growth = run.room.growth(run.duration_ns)
    assert growth is not None
    assert 2 * of_rounds <= growth[0] < 2 * of_rounds + 60 * of_rounds  # with frames and what removed names take
    assert abs(growth[1] - of_rounds * run.duration_ns / count) < run.duration_ns / 10
    assert run.telling_ns == 0
    rewritten = console("boot", "open 3 w /a", "write 3 2 6162", "close 3", *passing)
    run = replay_log(tmp_path, rewritten, rounds=Rounds(count))
    assert run.room.growth(run.duration_ns) is None
    assert run.telling_ns == 0


def test_one_round_does_not_tell_whether_files_grow(tmp_path: Path) -> None:
    run = replay_log(tmp_path, console(*LOG))
    assert run.telling_ns > 1.9 * run.duration_ns
    run = replay_log(tmp_path, console(*LOG), rounds=Rounds(duration_ns=run.duration_ns // 2))
    assert run.telling_ns > 1.9 * run.duration_ns
    assert replay_trace(tmp_path, APPENDS).telling_ns
    assert replay_trace(tmp_path, APPENDS, rounds=Rounds(2)).telling_ns == 0


def test_a_run_that_ends_before_the_first_call_of_the_store_is_no_mistake(tmp_path: Path) -> None:
    later = "1 getpid() = 1\n" * 5 + APPENDS
    run = replay_trace(tmp_path, later, rounds=Rounds(duration_ns=2 * NS_PER_S))
    assert (files_in(run), skipped_in(run)) == ({}, [(1, "the whole run: no call in it concerns /d", 1)])
    with pytest.raises(BadRecording, match="no call in it concerns /d"):
        replay_trace(tmp_path, "1 getpid() = 1\n" * 5)


def test_work_that_is_done_after_the_end_of_a_recording_is_late(tmp_path: Path) -> None:
    """Only where it is asked for that counts against it: what was recorded may be quicker than the device."""
    busy = [spelled(number, 10, "write 1 1200") for number in range(2, 30)]
    log = [spelled(0, 0, "boot"), spelled(1, 0, "open 1 w /a"), *busy, spelled(30, 20, "close 1")]
    for expect, met in (({}, []), ({"late_max": 10_000_000}, [False]), ({"late_max": 10 * NS_PER_S}, [True])):
        run = replay_log(tmp_path, log, expect=expect)
        taken = figures(run)
        assert (run.asked_ns, taken.trouble.late_ns) == (20_000_000, run.duration_ns - 20_000_000)
        assert taken.trouble.late_ns > NS_PER_S // 10
        assert [verdict.met for verdict in judge(run, taken)] == met
    run = replay_log(tmp_path, log, rounds=Rounds(3))
    assert run.asked_ns == 60_000_000
