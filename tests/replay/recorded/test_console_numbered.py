"""Lines of a console log that carry the number of their boot: what came twice is known for sure."""

from __future__ import annotations

import io
from pathlib import Path
from random import Random

import pytest

from simfs import NorFlash, Store
from simfs.replay.recorded.console.log import in_order, is_console_log, replay_console_log
from simfs.replay.recorded.console.order import RECENT_MAX, Gap
from simfs.replay.recorded.console.replayer import tells
from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.skipped import SkippedLedger
from tests.support.console_text import spelled, text_of


def boot_of(boot: int, length: int = 20) -> list[str]:
    """The lines of one boot; all boots say the same at the same times."""
    words = ["boot", "open 1 a /a", *[f"write 1 1 {number:02x}" for number in range(2, length)]]
    return [spelled(number, 5 + number // 3, said, boot) for number, said in enumerate(words[:length])]


A, B = boot_of(17), boot_of(3)


def read(lines: list[str], strict: bool = False) -> tuple[list[str], list[tuple[int, str]]]:
    """The lines that count, and what is told of which line."""
    ledger = SkippedLedger("console.log", strict)
    kept, told = [], []
    for found in in_order(io.StringIO(text_of(lines), newline="\n"), ledger):
        if isinstance(found, Gap):
            told.append((found.line, tells(found)))
        else:
            kept.append(lines[found.line - 1])
    return kept, told + [(entry.line, entry.what) for entry in ledger.entries()]


def test_whatever_is_sent_again_is_left_out_for_sure() -> None:
    """Any lines in a row, over boots too, a lone boot line as well as the last lines of a boot."""
    for seed in range(500):
        random = Random(seed)
        boots = [boot_of(boot, random.randrange(1, 30)) for boot in random.sample(range(1, 9), 4)]
        log = [line for boot in boots for line in boot]
        first = random.randrange(len(log))
        last = random.randrange(first, min(first + 40, len(log))) + 1
        at = random.randrange(last, len(log) + 1)
        kept, told = read(log[:at] + log[first:last] + log[at:], strict=True)
        assert kept == log, seed
        assert told[0][0] == at + 1
        assert all("came twice: left out the second time" in what for _, what in told)


def test_repeated_lines_of_a_boot_are_told_together() -> None:
    kept, told = read(A + B[:9] + A[4:8] + B[:1] + B[9:])
    assert kept == A + B
    assert told == [
        (30, "numbers 4 to 7 of boot 17 came twice: left out the second time"),
        (34, "number 0 of boot 3 came twice: left out the second time"),
    ]


def test_boots_that_do_the_same_are_all_there() -> None:
    log = [line for boot in range(1, 30) for line in boot_of(boot, boot % 4 + 1)]
    assert read(log, strict=True) == (log, [])


def test_lost_boot_lines_are_told() -> None:
    assert read(A + B[3:]) == (
        A + B[3:],
        [(21, "lines are lost before this one: numbers 0 to 2, with a boot among them")],
    )
    assert read(A[3:]) == (A[3:], [(1, "lines are lost before this one: numbers 0 to 2")])


def test_lines_that_change_places() -> None:
    swapped = [A[1], A[0], *A[2:9], A[10], A[9], *A[11:], B[1], B[0], *B[2:]]
    kept, told = read(swapped, strict=True)
    assert kept == A + B
    assert [line for line, _ in told] == [2, 11]  # and once more in line 22, in the same words as in line 2
    lines = [*A[:19], B[0], A[19], *B[1:]]  # over the boot: it is too late for that line
    kept, told = read(lines)
    assert kept == A[:19] + B
    assert told == [(21, "number 19 of boot 17 is out of place: left out")]
    with pytest.raises(Unreadable, match="line 21: number 19 of boot 17 is out of place: left out"):
        read(lines, strict=True)


def test_two_boots_of_one_number_are_told() -> None:
    """Its clock shows another time, so its lines have other checksums."""
    again = [spelled(number, 900 + number, "boot" if not number else "flush 1", 17) for number in range(9)]
    for lines in (A + again, A + B + again):
        kept, told = read(lines)
        assert kept == lines
        assert told == [(len(lines) - 8, "another boot has the number 17 as well")]
        with pytest.raises(Unreadable, match="another boot has the number 17 as well"):
            read(lines, strict=True)
    kept, told = read(A + again[3:])  # and its boot line is lost
    assert kept == A
    assert len(told) == 6


def test_a_line_of_long_ago_is_known() -> None:
    long = [spelled(0, 0, "boot", 5), *[spelled(number, 0, "flush 1", 5) for number in range(1, 3 * RECENT_MAX)]]
    kept, told = read([*long, long[2]], strict=True)
    assert kept == long
    assert told == [(len(long) + 1, "number 2 of boot 5 came twice: left out the second time")]


def test_boots_with_and_without_a_number_in_one_log(tmp_path: Path) -> None:
    plain = [spelled(number, number, "boot" if not number else "flush 1") for number in range(9)]
    lines = plain + A[:19] + [*plain[:1], spelled(1, 20, "flush 2")] + B
    assert read(lines, strict=True) == (lines, [])
    path = tmp_path / "console.log"
    path.write_text(text_of(A[:9] + A[:1] + A[9:] + B[:5] + A[2:6] + B[5:]))
    assert is_console_log(path)
    run = replay_console_log(path, Store.format(NorFlash(block_count=16)), strict=True)
    assert run.store.open("/a").read() == bytes(range(2, 20))  # what the boot before had not flushed is gone
    assert [entry.line for entry in run.skipped] == [10, 27]


def test_a_numbered_line_whose_mark_is_damaged_is_torn() -> None:
    for damaged in (A[4][1:], "x" + A[4][1:], A[4][3:], A[4][5:], A[4].replace("@fs2", "@fs1")):
        _, told = read([*A[:4], damaged, *A[5:]])
        assert told[0][1].startswith(("line 5 can't be read", "lines are lost"))
        assert any("line 5 can't be read" in what for _, what in told), damaged
