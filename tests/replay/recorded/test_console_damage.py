"""Damaged console logs: what is torn, lost, repeated or out of place is told where it is, and nothing is misread."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from zlib import crc32

import pytest

from simfs import NorFlash, Store
from simfs.replay.device.device import Run
from simfs.replay.recorded.console.lines import RIGHT_LINE, found_in, whole_line
from simfs.replay.recorded.console.log import in_order, is_console_log, replay_console_log
from simfs.replay.recorded.console.order import Gap
from simfs.replay.recorded.console.replayer import FirmwareClock, tells
from simfs.replay.recorded.faults import BadRecording
from simfs.replay.recorded.files import STRANGE
from simfs.replay.recorded.skipped import SkippedLedger
from tests.support.console_text import console, spelled, text_of

Replay = Callable[..., Run]

STORY = [
    "boot", "open 3 w /a", "write 3 2 6869", "flush 3", "write 3 1", "close 3", "rename /a /b%20c", "open 3 a /log",
    "write 3 3 616263", "close 3", "remove /b%20c", "open 4 r /log", "read 4 3", "close 4",
]  # fmt: skip


@pytest.fixture
def replay(tmp_path: Path) -> Replay:
    def run(lines: list[str] | str, *, strict: bool = False) -> Run:
        path = tmp_path / "console.log"
        path.write_text(text_of(lines) if isinstance(lines, list) else lines, "latin-1", newline="\n")
        return replay_console_log(path, Store.format(NorFlash(block_count=16)), strict=strict)

    return run


def files(run: Run) -> dict[str, bytes]:
    return {name: run.store.open(name).read() for name in run.store.names()}


def told(run: Run) -> list[tuple[int, str]]:
    return [(entry.line, entry.what) for entry in run.skipped for _ in range(entry.count)]


def operations(run: Run) -> int:
    return sum(sum(task.operations.values()) for task in run.tasks.values())


def test_the_story_is_replayed(replay: Replay) -> None:
    run = replay(console(*STORY), strict=True)
    assert files(run) == {"/log": b"abc"}
    assert told(run) == [(5, "write on /a: its line has no contents; as many zeros are written")]
    assert (operations(run), len(run.boots), run.duration_ns) == (13, 2, 130_000_000)
    assert run.kind == "recording"


def spoilt(text: str) -> Iterator[tuple[int, str]]:
    """A text with one character lost, doubled or changed, each in turn."""
    for at, sign in enumerate(text):
        others = {"", sign * 2, "0", " ", "@", "\n", "\0", *(chr(ord(sign) ^ 1 << bit) for bit in range(8))}
        for other in sorted(others - {sign}):
            yield at, text[:at] + other + text[at + 1 :]


def read_and_told(text: str) -> tuple[list[tuple[int, int, str, str]], list[int]]:
    """The operations that come out of a log, and the lines on which something is told."""
    ledger = SkippedLedger("console.log", strict=False)
    read, places = [], []
    for found in in_order(io.StringIO(text, newline="\n"), ledger):
        if isinstance(found, Gap):
            places.append(found.line)
        else:
            read.append((found.number, found.time_ms, found.operation, found.arguments))
    return read, sorted(places + [entry.line for entry in ledger.entries()])


def test_each_lost_or_changed_character_is_reported_and_never_misread() -> None:
    """Nothing is told only where each line still stands whole, as when the change is in the chatter."""
    lines = console(*STORY[:9])
    text = "wifi: up\n" + text_of(lines)
    whole, places = read_and_told(text)
    assert (len(whole), places) == (9, [])
    tried = 0
    for at, damaged in spoilt(text):
        read, places = read_and_told(damaged)
        assert set(read) <= set(whole), damaged
        assert len(read) >= 8, damaged
        if not all(line in damaged for line in lines):
            tried += 1
            torn = text.count("\n", 0, at) + 1
            assert places, damaged
            assert places[0] in (torn, torn + 1), (damaged, places)
        elif not places:
            assert read == whole, damaged
    assert tried > 3500


def test_a_line_cut_anywhere_is_reported() -> None:
    lines = console(*STORY[:5])
    for number, line in enumerate(lines):
        for length in range(len(line)):
            read, places = read_and_told(text_of([*lines[:number], line[:length], *lines[number + 1 :]]))
            assert [entry[0] for entry in read] == [other for other in range(5) if other != number]
            if number < 4 or length > 4:  # where the very last line is cut to nothing, there is nothing left to tell it
                assert places, (number, length)


def test_lost_line_ends_are_reported_and_cost_nothing() -> None:
    lines = console(*STORY[:5])
    read, places = read_and_told("".join(lines) + "\r\n")
    assert (len(read), places) == (5, [1])
    assert read_and_told("\r\n".join(lines)) == (read, [])


def test_random_bytes_between_the_lines_are_chatter() -> None:
    random = Random(5)
    lines = console(*STORY)
    noisy = [f"{random.randbytes(random.randrange(40)).decode('latin-1')}\n" + line for line in lines]
    assert read_and_told("\n".join(noisy)) == read_and_told(text_of(lines))


def test_strict_refuses_each_damage_by_its_line(replay: Replay) -> None:
    lines = console(*STORY)
    torn = [*lines[:4], lines[4][:-1], *lines[5:]]
    with pytest.raises(
        BadRecording, match=r"console\.log: line 5: .* can't be read; it does not end with its checksum"
    ):
        replay(torn, strict=True)
    changed = [*lines[:4], lines[4].replace("write", "wrote"), *lines[5:]]
    with pytest.raises(BadRecording, match=r"line 5: .* can't be read; its checksum does not fit"):
        replay(changed, strict=True)
    with pytest.raises(
        BadRecording, match=r"line 4: lines are lost before this one: numbers 3 to 5; whole, the numbers"
    ):
        replay(lines[:3] + lines[6:], strict=True)


def test_the_line_that_an_error_shows_as_right_is_right() -> None:
    found = whole_line(1, RIGHT_LINE.partition(": ")[2])
    assert found is not None
    assert (found.operation, found.arguments) == ("write", " 3 2 6869")


def test_later_versions_and_operations_are_named() -> None:
    text = "@fs3 17 0 1 boot "
    assert read_and_told(f"{text}{crc32(text.encode()):08x}\n") == ([], [1])
    assert "knows the lines of versions 1 and 2 only" in str(found_in(1, f"{text}{crc32(text.encode()):08x}"))


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ("format", "recorder.h prints no such line"),
        ("open 3 w", "recorder.h prints no such line"),
        ("write 3 2 aabbcc", "it has more or fewer bytes than it says"),
        ("open 3 q /a", "'q' is not a mode of fopen"),
        ("remove a%00", "no name holds a NUL"),
    ],
)
def test_lines_that_no_recorder_prints_are_reported_even_if_their_checksum_fits(
    replay: Replay, words: str, why: str
) -> None:
    run = replay(console("boot", "open 3 w /a", words))
    assert [line for line, what in told(run) if why in what] == [3]
    assert files(run) == {"/a": b""}


# --- order -----------------------------------------------------------------------------------------------------------


def numbers(lines: list[str]) -> tuple[list[int], list[int]]:
    read, places = read_and_told(text_of(lines))
    return [entry[0] for entry in read], places


def test_lost_lines_are_reported_by_their_numbers(replay: Replay) -> None:
    lines = console(*STORY)
    run = replay(lines[:3] + lines[5:])
    assert told(run) == [
        (4, "lines are lost before this one: numbers 3 to 4"),
        (4, "/a: it was open where lines are lost, so what it holds from there on is not sure"),
    ]
    run = replay(lines[1:8] + lines[9:])
    assert told(run)[0] == (1, "lines are lost before this one: number 0")
    assert (8, "lines are lost before this one: number 8") in told(run)


def test_operations_that_depend_on_a_lost_line_are_reported(replay: Replay) -> None:
    lines = console("boot", "open 3 w /a", "write 3 1 61", "close 3", "open 3 r /a", "read 3 1", "remove /b")
    without_opening = told(replay(lines[:1] + lines[2:]))
    assert (2, "write on file number 3: the log does not show its opening") in without_opening
    assert (4, "open on /a: no line that was read created it") in without_opening
    assert (6, "remove of /b: no line that was read created it") in without_opening
    without_bytes = told(replay(lines[:2] + lines[3:]))
    assert (5, f"/a: {STRANGE}") in without_bytes


def test_lines_that_come_late_are_put_in_their_place() -> None:
    lines = console("boot", *["flush 1"] * 60)
    for seed in range(20):
        mixed = lines[1:]
        Random(seed).shuffle(mixed)
        read, places = numbers([lines[0], *mixed])
        assert read == list(range(61))
        assert places
    read, places = numbers([*lines[:2], lines[3], lines[2], *lines[4:]])
    assert (read, places) == (list(range(61)), [4])


def test_lines_too_late_are_lost_and_left_out() -> None:
    lines = console("boot", *["flush 1"] * 100)
    read, places = numbers([*lines[:2], *lines[3:90], lines[2], *lines[90:]])
    assert read == [number for number in range(101) if number != 2]
    assert places == [3, 90]


def test_lines_that_come_twice_count_once() -> None:
    lines = console(*STORY)
    for at in range(len(lines)):
        for further in (1, 3):
            twice = [*lines[: at + further], lines[at], *lines[at + further :]]
            read, places = numbers(twice)
            assert len(read) in (14, 15 if at == 0 and further == 1 else 14)  # a device may also boot twice
            assert places
    assert numbers(lines + lines[4:])[0] == list(range(14))


def test_boots(replay: Replay) -> None:
    """What waits to be written is lost with the device's RAM, what was flushed is not, and no file is open."""
    files_open = ["open 1 w /a", "write 1 1 61", "flush 1", "write 1 1 62", "open 2 w /b", "write 2 1 63"]
    run = replay(console("boot", *files_open, "boot", "open 1 a /c", "write 1 1 64"), strict=True)
    assert files(run) == {"/a": b"a", "/b": b"", "/c": b"d"}
    assert (len(run.boots), told(run)) == (3, [])
    assert run.store.check() == []
    assert files_after(run) == files(run)


def files_after(run: Run) -> dict[str, bytes]:
    """What the next mount finds."""
    store = Store.mount(NorFlash.from_image(run.flash.image()), read_only=True)
    return {name: store.open(name).read() for name in store.names()}


def test_boots_that_are_the_same_to_the_letter() -> None:
    one = [spelled(0, 5, "boot"), spelled(1, 6, "flush 1"), spelled(2, 7, "flush 1")]
    assert numbers(one + one[:1] + one) == ([0, 1, 2, 0, 0, 1, 2], [4, 5])  # or the first three lines were sent again
    assert numbers([one[0]] * 3) == ([0, 0, 0], [2])
    assert numbers([one[0], one[1], one[0], one[2]]) == ([0, 1, 2], [3])


def test_boot_lines_that_are_lost() -> None:
    first = [spelled(number, 1000 + number, "flush 1") for number in range(1, 80)]
    again = [spelled(number, 50 + number, "flush 2") for number in range(1, 200)]
    start = spelled(0, 1000, "boot")
    for lost in (0, 20, 78, 100):  # how many more lines are lost with the boot
        read, places = numbers([start, *first, *again[lost:]])
        assert read == [0, *range(1, 80), *range(1 + lost, 200)]
        assert places[0] == 81
    texts = told_by_order([start, *first, *again[100:]])
    assert texts == ["lines are lost before this one: numbers 80 to 100, with a boot among them"]
    assert told_by_order([start, *first, *again[5:]]) == [
        "lines are lost before this one: numbers 0 to 5, with a boot among them"
    ]


def told_by_order(lines: list[str]) -> list[str]:
    ledger = SkippedLedger("console.log", strict=False)
    return [tells(found) for found in in_order(lines, ledger) if isinstance(found, Gap)]


def test_a_lost_boot_still_closes_the_files(replay: Replay) -> None:
    lines = console("boot", "open 1 w /a", "write 1 1 61", "flush 1", "write 1 1 62", "boot", "flush 2", "open 2 w /c")
    run = replay(lines[:5] + lines[6:])
    assert files(run) == {"/a": b"a", "/c": b""}
    assert len(run.boots) == 3


# --- time, and what the recorder says of itself ----------------------------------------------------------------------


def test_time_runs_over_begins_anew_and_never_goes_back() -> None:
    clock = FirmwareClock()
    seen = []
    for time_ms, boots in [
        (4294967000, True),
        (204, False),
        (104, False),
        (304, False),
        (50, True),
        (60, False),
        (90, True),
    ]:
        clock.show(time_ms, boots)
        seen.append(clock.now_ns // 1_000_000)
    assert seen == [0, 500, 500, 700, 750, 760, 790]


def test_a_log_is_known_by_its_lines_wherever_they_stand(tmp_path: Path) -> None:
    path = tmp_path / "log"
    for text, known in [
        (("x" * 99 + "\n") * 14_000 + spelled(7, 1, "flush 1"), True),
        ("x" * ((1 << 20) - 7) + spelled(7, 1, "flush 1"), True),
        ("@fs1 2 3", False),
        ("> " + spelled(7, 1, "flush 1") + "\nok", True),
        (f"as in `{spelled(7, 1, 'flush 1')}`", False),
        ("", False),
    ]:
        path.write_text(text)
        assert is_console_log(path) == known
    assert not is_console_log(tmp_path / "none")
