"""Hostile recordings: what strace never wrote, or wrote about a program that nobody sane would run."""

from __future__ import annotations

from random import Random

from simfs import NorFlash, Store, StoreConfig
from simfs.replay.recorded.strace.file_calls import FILE_CALLS, PATH_CALLS
from simfs.replay.recorded.strace.process_calls import PROCESS_CALLS
from simfs.replay.recorded.strace.recording import replay_recording
from tests.hostile.inputs.scenarios import damaged_text
from tests.hostile.judge import Budget
from tests.hostile.replay_judge import judge_replay
from tests.hostile.tally import Tally

DIRECTORY = "/d"
BLOCKS = 8
WORK_FACTOR = 400  # bytes that a line may read and program, in flashes

_NUMBERS = (
    "0", "1", "-1", "2", "7", "40", "300", "4095", "65535", "65536", "2147483647", "2147479552", "4294967295",
    "4294967296", "9223372036854775807", "18446744073709551615", "99999999999999999999", "-9223372036854775808",
)  # fmt: skip
_PATHS = (
    "/d/a", "/d/log", "/d/sub/a", "/d/sub", "/d", "/d/", "a", "log", "../d/a", "/d/../d/./a", "//d//a", "/etc/passwd",
    "", ".", "/d/" + "x" * 60, "/d/\\303\\251", "/d/\\xff", "/d/\\0", "/d/a\\n", "\\x2f\\x64\\x2f\\x61", "/d/a\\q",
    "/d/\\x1b[2J", "/dd/a",
)  # fmt: skip
_FLAGS = (
    "O_RDONLY", "O_WRONLY|O_CREAT|O_TRUNC", "O_RDWR|O_CREAT", "O_WRONLY|O_APPEND", "O_RDWR|O_CREAT|O_EXCL", "O_PATH",
    "O_TMPFILE|O_RDWR", "O_DIRECTORY", "O_WRONLY|O_CREAT|O_SYNC|O_CLOEXEC", "0", "0x8000 /* ??? */",
    "FALLOC_FL_PUNCH_HOLE|FALLOC_FL_KEEP_SIZE", "FALLOC_FL_ZERO_RANGE", "RENAME_EXCHANGE", "AT_REMOVEDIR",
    "CLOSE_RANGE_CLOEXEC", "O_|", "|||",
)  # fmt: skip
_STRINGS = ("", "ab", "hello\\n", "\\0\\1\\2", "\\x00\\xff", "\\377", "x" * 300, "\\", "\\x4", "é", '\\"', "\\777")
_CALLS = sorted({*FILE_CALLS, *PATH_CALLS, *PROCESS_CALLS, "getpid", "unknown_call"})


def run_recordings(cases: int, seed: int) -> Tally:
    """Judge so many hostile recordings, every fourth one strictly."""
    tally = Tally()
    for number in range(cases):
        raw = hostile_recording(Random(f"{seed} {number}"))
        outcome, fault = judge_recording(raw, strict=number % 4 == 0)
        tally.note(outcome, fault and f"run_recordings: hostile_recording(Random('{seed} {number}')): {fault}")
    return tally


def hostile_recording(random: Random) -> bytes:
    """The bytes of one recording, some dozen lines."""
    lines = [_line(random) for _ in range(random.choice((1, 3, 10, 30)))]
    if random.randrange(3):
        lines[:0] = [
            f'1 1.00000{at} openat(AT_FDCWD</d>, "{name}", O_RDWR|O_CREAT, 0644) = {at}</d/{name}>'
            for at, name in ((3, "a"), (4, "log"))
        ]
    raw = ("\n".join(lines) + "\n").encode("utf-8", "surrogateescape")
    return damaged_text(raw, random) if random.randrange(4) == 0 else raw


def another_line(random: Random) -> bytes:
    """One line, its end left out."""
    return _line(random).encode("utf-8", "surrogateescape")


def _line(random: Random) -> str:
    sort = random.randrange(20)
    stamp = f"{random.randrange(100)}.{random.randrange(1_000_000):06}"
    if random.randrange(30) == 0:
        stamp = random.choice(("0.0", "999999999999.999999999", "1", "1e9.0", "-1.000000", "00000000000001.1"))
    pid = random.choice(("1 ", "1 ", "1 ", "2 ", "3 ", "", "[pid 7] ", "4294967295 ", "-5 "))
    if sort < 13:
        text = f"{_call(random)} = {_result(random)}"
    elif sort < 15:
        text = f"{_call(random)[:-1]} <unfinished ...>"
    elif sort < 17:
        name = random.choice(_CALLS)
        text = f"<... {name} resumed>{random.choice(('', ', 0', '3'))}) = {_result(random)}"
    elif sort < 18:
        text = random.choice(
            ("+++ exited with 0 +++", "+++ killed by SIGKILL +++", "--- SIGCHLD {si_signo=SIGCHLD} ---", "+++ what +++",
             "+++ superseded by execve in pid 2 +++", "--- stopped by SIGSTOP ---", "<... resumed>",
             "<pid changed to 3 ...>")
        )  # fmt: skip
    else:
        torn = f"{pid}{stamp} wristrace: Process 2 attached"
        return random.choice(("", "strace: Process 9 attached", torn, "\x1b[2J", "= 3"))
    return f"{pid}{stamp} {text}"


def _call(random: Random) -> str:
    """A call, its arguments of the right shape more often than not."""
    fd, path, flags, number = _descriptor(random), _path(random), random.choice(_FLAGS), random.choice(_NUMBERS)
    place = random.choice(("AT_FDCWD</d>", "AT_FDCWD", "AT_FDCWD</etc>", fd))
    text, more = random.choice(_STRINGS), random.choice(("", "", "..."))
    other = _descriptor(random)
    vector = f'[{{iov_base="{text}"{more}, iov_len={number}}}, {{iov_base=NULL, iov_len=0}}]'
    return random.choice(
        (
            f"openat({place}, {path}, {flags}, 0644)", f"openat({place}, {path}, {flags})", f"open({path}, {flags})",
            f'write({fd}, "{text}"{more}, {number})', f'pwrite64({fd}, "{text}", 3, {number})',
            f"writev({fd}, {vector}, 2)", f"pwritev2({fd}, {vector}, 2, {number}, RWF_APPEND)",
            f'read({fd}, "{text}"{more}, {number})', f"readv({fd}, {vector}, 2)",
            f'pread64({fd}, "{text}", {random.choice(_NUMBERS)}, {number})', f"lseek({fd}, {number}, SEEK_END)",
            f"ftruncate({fd}, {number})", f"truncate({path}, {number})",
            f"fallocate({fd}, {flags}, {number}, {random.choice(_NUMBERS)})", f"close({fd})", f"fsync({fd})",
            f"fstat({fd}, {{st_mode=S_IFREG|0644, st_size={number}, ...}})", f"dup({fd})", f"dup2({fd}, {other})",
            f"fcntl({fd}, F_DUPFD, {number})", f"fcntl({fd}, F_SETFL, O_APPEND)", f"unlink({path})",
            f"unlinkat({place}, {path}, 0)", f"rename({path}, {_path(random)})",
            f"renameat2({place}, {path}, {place}, {_path(random)}, {flags})", f"mkdir({path}, 0755)",
            f"link({path}, {_path(random)})", f"chdir({path})", f"fchdir({fd})", f"getcwd({path}, 4096)", "fork()",
            "clone(child_stack=NULL, flags=CLONE_FILES|CLONE_FS|SIGCHLD)",
            f'execve({path}, ["sh"], 0x7ffc /* 9 vars */)', "sync()",
            f"close_range({number}, {random.choice(_NUMBERS)}, {flags})",
            f"mmap(NULL, 4096, PROT_WRITE, MAP_SHARED, {fd}, 0)",
            f"sendfile({fd}, {other}, [{number.strip('-')}], {number})",
            f"copy_file_range({fd}, NULL, {other}, NULL, 99, 0)", f"{random.choice(_CALLS)}({fd})",
            f"{random.choice(_CALLS)}({path}, {number}, {flags})", f"unknown({path})",
        )
    )  # fmt: skip


def _descriptor(random: Random) -> str:
    number = random.choice(("3", "3", "3", "4", "4", "5", "0", "-1", "2147483647", "9999999999"))
    return number + random.choice(("", "", "</d/a>", "</d/log>", "</d>", "</d/a>(deleted)", "<pipe:[1]>", "<\\q>"))


def _path(random: Random) -> str:
    return f'"{random.choice(_PATHS)}"' + ("..." if random.randrange(30) == 0 else "")


def _result(random: Random) -> str:
    return random.choice(
        ("0", "3", "4", "5</d/a>", "6</d/log>", "7</d/sub/a>(deleted)", "-1 ENOENT (No such file or directory)", "?",
        "2", "6",
         "? ERESTARTSYS (To be restarted)", "0x7f", *_NUMBERS)
    )  # fmt: skip


# -- the promise


def judge_recording(raw: bytes, strict: bool = False) -> tuple[str, str | None]:
    """How it ended, and what broke the promise, if anything did."""
    work = WORK_FACTOR * (raw.count(b"\n") + 2) * BLOCKS * 4096
    flash = NorFlash(BLOCKS, faults=Budget(work))
    store = Store.format(flash, StoreConfig(open_files_max=16, name_bytes=32))
    return judge_replay(raw, lambda path: replay_recording(path, store, directory=DIRECTORY, strict=strict))
