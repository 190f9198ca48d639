"""Hostile console logs: what no recorder printed, what a bad line made of it, and checksums that fit all the same."""

from __future__ import annotations

from random import Random
from zlib import crc32

from simfs import NorFlash, Store, StoreConfig
from simfs.replay.recorded.console.log import replay_console_log
from tests.hostile.inputs.scenarios import damaged_text
from tests.hostile.judge import Budget
from tests.hostile.replay_judge import judge_replay
from tests.hostile.tally import Tally

BLOCKS = 8
WORK_FACTOR = 400  # bytes that a line may read and program, in flashes

_NUMBERS = (
    "0", "1", "2", "3", "7", "40", "300", "4096", "65536", "2147483647", "4294967295", "4294967296", "9999999999",
    "99999999999", "-1", "007", "",
)  # fmt: skip
_NAMES = (
    "/a", "/log", "/log/a", "log", "/", "", "..", "/../etc/passwd", "%00", "/a%0a", "%zz", "%", "/%ff%fe", "%1b[2J",
    "/" + "x" * 60, "a@b", "/\xe9", "a b",
)  # fmt: skip
_MODES = ("r", "r+", "w", "w+", "a", "a+", "x", "wx", "rb+", "q", "", "rw", "++")
_OPERATIONS = ("open", "write", "read", "seek", "truncate", "flush", "close", "remove", "rename", "boot", "format", "")
_CHATTER = (
    "", "boot: ok", "@fs", "@fs1", "@fs1 ", "@fs2 0 0 boot 00000000", "\x1b[2J", "\xff\0", "x" * 3000, "@fs1 " * 300,
    "1 2 boot 00000000", "1 1.0 write(3</d/a>", "9" * 300,
)  # fmt: skip


def run_consoles(cases: int, seed: int) -> Tally:
    """Judge so many hostile logs, every fourth one strictly."""
    tally = Tally()
    for number in range(cases):
        raw = hostile_console(Random(f"{seed} {number}"))
        outcome, fault = judge_console(raw, strict=number % 4 == 0)
        tally.note(outcome, fault and f"run_consoles: hostile_console(Random('{seed} {number}')): {fault}")
    return tally


def hostile_console(random: Random) -> bytes:
    """The bytes of one log, some dozen lines, numbered in their order more often than not."""
    marks = ["@fs1"] if random.randrange(3) else [f"@fs2 {boot}" for boot in _NUMBERS[1:4]] + ["@fs1"]
    count = random.choice((1, 5, 30, 90))
    raw = b"".join(console_line(random, number, marks[number * len(marks) // count]) + b"\n" for number in range(count))
    return damaged_text(raw, random) if random.randrange(2) else raw


def console_line(random: Random, number: int, mark: str = "@fs1") -> bytes:
    """One line, its end left out. `mark` has the boot's number where lines carry one."""
    if random.randrange(8) == 0:
        return random.choice(_CHATTER).encode("latin-1")
    if random.randrange(12) == 0:
        number = int(random.choice(_NUMBERS[:13]))
    time = random.choice(_NUMBERS) if random.randrange(20) == 0 else number * 10
    operation = "boot" if number == 0 else random.choice(_OPERATIONS[:9])
    if random.randrange(30) == 0:
        operation = random.choice(_OPERATIONS)
    words = " ".join((mark, str(number), str(time), operation, *_arguments(random, operation), ""))
    raw = words.encode("latin-1")
    return raw + b"%08x" % (crc32(raw) ^ (random.randrange(20) == 0))


def _arguments(random: Random, operation: str) -> list[str]:
    """Of the right shape more often than not."""
    file, number = random.choice("3334"), random.choice(_NUMBERS)
    data = random.randbytes(random.choice((0, 1, 20, 300)))
    length = str(len(data)) if random.randrange(8) else number
    shapes = {
        "open": [file, random.choice(_MODES[:6] if random.randrange(8) else _MODES), random.choice(_NAMES)],
        "write": [length, data.hex()] if data else [number],
        "remove": [random.choice(_NAMES)],
        "rename": [random.choice(_NAMES), random.choice(_NAMES)],
        "boot": [],
    }
    if operation == "write":
        return [file, *shapes["write"]]
    if random.randrange(20) == 0:
        operation = random.choice(_OPERATIONS)
    return shapes.get(operation, [file] if operation in ("flush", "close") else [file, number])


def judge_console(raw: bytes, strict: bool = False) -> tuple[str, str | None]:
    """How it ended, and what broke the promise, if anything did."""
    work = WORK_FACTOR * (raw.count(b"@fs") + 2) * BLOCKS * 4096
    store = Store.format(NorFlash(BLOCKS, faults=Budget(work)), StoreConfig(open_files_max=4, name_bytes=32))
    return judge_replay(raw, lambda path: replay_console_log(path, store, strict=strict))
