"""Lines of a console log that come a second time, over boots too, and a loss that no number shows."""

from __future__ import annotations

import io
from pathlib import Path
from random import Random

import pytest

from simfs import NorFlash, Store
from simfs.replay.recorded.console import history
from simfs.replay.recorded.console.lines import Record
from simfs.replay.recorded.console.log import in_order, replay_console_log
from simfs.replay.recorded.console.order import Gap
from simfs.replay.recorded.console.replayer import tells
from simfs.replay.recorded.faults import BadRecording, Unreadable
from simfs.replay.recorded.skipped import SkippedLedger
from tests.support.console_text import spelled, text_of

LENGTH = 40


def boot_of(start_ms: int, length: int = LENGTH, step_ms: int = 10) -> list[str]:
    """The lines of one boot."""
    words = ["boot", "open 1 a /a", *[f"write 1 1 {number:02x}" for number in range(2, length)]]
    return [spelled(number, start_ms + step_ms * number, said) for number, said in enumerate(words)]


A, B = boot_of(5), boot_of(7)


def read(lines: list[str], strict: bool = False) -> tuple[list[str], list[tuple[int, str]]]:
    """The lines that count, and what is told of which line."""
    ledger = SkippedLedger("console.log", strict)
    kept, told = [], []
    for found in in_order(io.StringIO(text_of(lines), newline="\n"), ledger):
        if isinstance(found, Gap):
            told.append((found.line, tells(found)))
        else:
            kept.append(f"@fs1 {found.number} {found.time_ms} {found.operation}{found.arguments} {found.check}")
    return kept, told + [(entry.line, entry.what) for entry in ledger.entries()]


@pytest.mark.parametrize(("seen", "again"), [(30, 5), (30, 29), (30, 30), (2, 2), (5, 3)])
def test_a_block_sent_again_from_its_boot_line_on_counts_once(seen: int, again: int) -> None:
    """The numbers go on behind the block where they were before it."""
    kept, told = read(A[:seen] + A[:again] + A[seen:])
    assert kept == A
    assert told == [(seen + 1, f"the boot line and numbers 1 to {again - 1} came twice: left out the second time"
                     if again > 2 else "the boot line and number 1 came twice: left out the second time")]  # fmt: skip


def test_strict_refuses_a_whole_boot_sent_again_that_goes_on() -> None:
    """It may have booted a second time and gone further."""
    with pytest.raises(Unreadable, match="line 31: the boot line and numbers 1 to 29 came twice"):
        read(A[:30] + A[:30] + A[30:], strict=True)


def test_a_block_sent_again_over_a_boot_counts_once() -> None:
    for at in (1, 5, 20):
        for first, last in ((0, 10), (3, 4), (at, at + 5), (25, LENGTH), (0, LENGTH)):
            kept, told = read(A + B[:at] + A[first:last] + B[at:])
            assert kept == A + B, (at, first, last)
            assert told[0][0] >= LENGTH + at + 1
            assert "came twice: left out the second time" in told[0][1]


def sent_again(seed: int) -> tuple[list[str], list[str]]:
    """A log of a few boots, and the same with lines in a row that came a second time, from a boot line on in half of
    the cases. Times may stand still, clocks begin anew at each boot, and boots do the same for a while or to their
    end."""
    random = Random(seed)
    steps, moments = random.choice(((10,), (0,), (0, 10))), random.choice(((5,), (5, 7), (5, 700, 9000)))
    log: list[str] = []
    begins: list[int] = []
    for _ in range(random.randrange(1, 5)):
        begins.append(len(log))
        length, time_ms = random.randrange(1, LENGTH), random.choice(moments)
        same = random.randrange(length + 1)
        for number, said in enumerate(["boot", "open 1 a /a", *["write 1 1 {:02x}"] * length][:length]):
            log.append(spelled(number, time_ms, said.format(0 if number < same else random.randrange(256))))
            time_ms += random.choice(steps)
    first = random.choice(begins) if random.random() < 0.5 else random.randrange(len(log))
    last = random.randrange(first, min(first + 45, len(log))) + 1
    at = random.randrange(last, len(log) + 1)
    return log, log[:at] + log[first:last] + log[at:]


def test_whatever_is_sent_again_counts_once_or_is_told() -> None:
    """Any lines in a row, over boots as well, a lone boot line too."""
    once = 0
    for seed in range(600):
        log, twice = sent_again(seed)
        kept, told = read(twice)
        assert told, seed
        once += kept == log
        if kept != log:
            with pytest.raises(Unreadable):
                read(twice, strict=True)
    assert once >= 480


def test_a_second_boot_that_goes_another_way_is_one() -> None:
    """Its first lines are the same to the letter, since its clock begins anew and it does the same."""
    for same in range(1, LENGTH):
        other = A[:same] + boot_of(6)[same:]
        assert read(A + other, strict=True) == (A + other, [])
    for length in range(2, 20):  # ended by a reset at any place
        lines = A[:length] + boot_of(9, 20)
        assert read(lines, strict=True) == (lines, [])


@pytest.mark.parametrize("behind", [[], B])
def test_a_boot_that_may_be_a_second_one_or_the_same_sent_again_is_told(behind: list[str]) -> None:
    lines = A + A[:20] + behind
    kept, told = read(lines)
    assert kept == lines
    what = "the boot line and numbers 1 to 19 are the same to the letter as before: taken for a second boot"
    assert told == [(LENGTH + 1, what)]
    with pytest.raises(Unreadable, match=f"line {LENGTH + 1}: {what}; give a log in which nothing is sent twice"):
        read(lines, strict=True)


def test_a_boot_line_that_may_have_been_sent_again_is_told() -> None:
    """Alone as well, and where the clock has not moved: a device may boot over and over with the same lines."""
    what = "the boot line is the same to the letter as before: taken for a second boot"
    assert read(A + A[:1]) == (A + A[:1], [(LENGTH + 1, what)])
    assert read(A[:9] + A[:1] + B) == (A[:9] + A[:1] + B, [(10, what)])
    assert read(A[:1] * 2 + A[1:]) == (A[:1] * 2 + A[1:], [(2, what)])
    loop = boot_of(5, 4, step_ms=0)
    kept, told = read(loop * 5 + A)
    assert kept == loop * 5 + A
    assert [line for line, _ in told] == [5, 9, 17]
    for lines in (A + A[:1], A[:1] * 2 + A[1:], loop * 5 + A):
        with pytest.raises(Unreadable, match="give a log in which nothing is sent twice, or number the boots"):
            read(lines, strict=True)


def test_lines_that_may_have_been_sent_again_at_the_end_of_a_boot_are_told() -> None:
    """A later boot did something else in line 3, and then comes what an earlier one did."""
    other = [*A[:3], spelled(3, 35, "flush 1")]
    for behind in ([], B):
        lines = A[:10] + other + A[4:6] + behind
        kept, told = read(lines)
        assert kept == lines
        what = "numbers 4 to 5 are the same to the letter as before: taken for printed a second time"
        assert told == [(15, what)]
        with pytest.raises(Unreadable, match=f"line 15: {what}"):
            read(lines, strict=True)
    surely = A[:10] + other + A[4:6] + [spelled(6, 70, "flush 1")]
    assert read(surely, strict=True) == (surely, [])


def test_strict_passes_what_surely_came_twice_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "console.log"
    path.write_text(text_of(A[:30] + A[:9] + A[30:]))
    run = replay_console_log(path, Store.format(NorFlash(block_count=16)), strict=True)
    assert run.store.stat("/a").size_bytes == LENGTH - 2
    assert [entry.line for entry in run.skipped] == [31]


def test_a_loss_that_joins_two_boots_is_told(tmp_path: Path) -> None:
    """Line 29 of one boot is followed by line 30 of the next: only the time shows it."""
    late = boot_of(5000)
    lines = late[:30] + A[30:]
    kept, told = read(lines)
    assert kept == lines
    assert told == [(31, "lines are lost before this one: numbers 0 to 29, with a boot among them")]
    path = tmp_path / "console.log"
    path.write_text(text_of(lines))
    with pytest.raises(BadRecording, match="line 31: lines are lost before this one"):
        replay_console_log(path, Store.format(NorFlash(block_count=16)), strict=True)
    runs_over = [spelled(0, (1 << 32) - 20, "boot"), spelled(1, (1 << 32) - 1, "flush 1"), spelled(2, 5, "flush 1")]
    assert read(runs_over, strict=True) == (runs_over, [])


def test_a_lost_boot_between_lines_that_wait() -> None:
    late = boot_of(5000)
    swapped = [*late[:30], A[31], A[30], *A[32:]]
    kept, told = read(swapped)
    assert kept == late[:30] + A[30:]
    assert (32, "lines are lost before this one: numbers 0 to 29, with a boot among them") in told


def test_a_history_forgets_its_older_half(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history, "KEPT_MAX", 100)
    lines = [Record(1, number, 0, "flush", " 1", "0") for number in range(1000)]
    past = history.History()
    for line in lines:
        past.add(line)
        past.add(lines[0])  # again and again
    known = [line.number for line in lines if line in past]
    assert known == [0, *range(known[1], 1000)]
    assert 25 <= len(known) <= 51
    assert len(past.places(lines[0])) == history.PLACES_MAX
    for number in known[1:-1]:
        assert past.after(past.places(lines[number]), lines[0]) == [2 * number + 1]
    assert past.after([5, 10**6], lines[0]) == []
