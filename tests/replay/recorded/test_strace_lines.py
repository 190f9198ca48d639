"""Lines of strace: stamps, results, interrupted calls, and what is no line at all."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.replay.device.clock import moment
from simfs.replay.recorded.strace.lines import ATTACHED, ENDED, FAILED, UNKNOWN, Reader, is_line


def read(text, ignored=frozenset()):
    bad = []
    reader = Reader(text.splitlines(keepends=True), ignored, lambda line, text: bad.append(line))
    return list(reader), bad


def test_a_line_in_all_its_parts():
    calls, bad = read('17 1922313600.000125 write(3</data/a) = 5>, "x) = 9", 6) = 6\n')
    assert bad == []
    call = calls[0]
    assert (call.line, call.pid, call.name, call.value, call.path) == (1, 17, "write", "6", None)
    assert call.args == '3</data/a) = 5>, "x) = 9", 6'
    assert call.at_ns == moment(2030, 12, 1) + 125_000


@pytest.mark.parametrize(
    ("stamp", "ns"),
    [("0.000001", 1000), ("0.123456789", 123456789), ("0.5", 500_000_000), ("99999999999.999999", None)],
)
def test_stamps_keep_every_digit(stamp, ns):
    (call,), _ = read(f"1 {stamp} sync() = 0\n")
    whole = moment(1970) + (ns if ns is not None else 99999999999 * 10**9 + 999_999_000)
    assert call.at_ns == whole


@pytest.mark.parametrize(
    ("result", "value", "path"),
    [
        ("3</data/x>", "3", "/data/x"),
        (r"3</data/a) = 5>", "3", "/data/a) = 5"),
        ("3</data/x>(deleted)", "3", "/data/x"),
        ("-1 ENOENT (No such file or directory)", "-1", None),
        ("-1 ENOSYS (Function not implemented) (INJECTED)", "-1", None),
        ("? ERESTARTSYS (To be restarted if SA_RESTART is set)", FAILED, None),
        ("?", UNKNOWN, None),
        ("0x7f01", "0x7f01", None),
        ("0x8002 (flags O_RDWR|O_LARGEFILE)", "0x8002", None),
        ("0 (Timeout)", "0", None),
        ("1 ([{fd=3, revents=POLLIN}])", "1", None),
        ("5 <0.000012>", "5", None),
    ],
)
def test_results(result, value, path):
    (call,), bad = read(f'1 5.000000 open("a) = 5", O_RDONLY)   = {result}\n')
    assert bad == []
    assert (call.args, call.value, call.path) == ('"a) = 5", O_RDONLY', value, path)


def test_the_pid_may_stand_in_brackets_or_be_missing():
    calls, bad = read("[pid   41] 1.000000 sync() = 0\n2.000000 sync() = 0\nstrace: Process 42 attached\n")
    assert [(call.pid, call.name) for call in calls] == [(41, "sync"), (0, "sync"), (42, ATTACHED)]
    assert bad == []


def test_a_notice_may_stand_in_the_middle_of_a_line():
    calls, bad = read(
        "1.0 clone(flags=SIGCHLDstrace: Process 7 attached\n, child_tidptr=0x7) = 7\n"
        "1.1 vfork(strace: Process 8 attached\nstrace: Process 9 attached\n <unfinished ...>\n"
    )
    assert bad == []
    assert [(call.pid, call.name, call.args, call.value) for call in calls] == [
        (7, ATTACHED, "", ""),
        (0, "clone", "flags=SIGCHLD, child_tidptr=0x7", "7"),
        (8, ATTACHED, "", ""),
        (9, ATTACHED, "", ""),
        (0, "vfork", "", ""),
        (0, "vfork", "", UNKNOWN),
    ]


def test_an_interrupted_call_is_one_call():
    calls, bad = read(
        "1 1.000000 read(3<pipe:[5]>,  <unfinished ...>\n2 1.100000 getpid() = 2\n"
        '1 1.200000 <... read resumed>"ab", 9) = 2\n'
    )
    assert bad == []
    assert [(call.name, call.args, call.value, call.line) for call in calls] == [
        ("getpid", "", "2", 2),
        ("read", '3<pipe:[5]>, "ab", 9', "2", 3),
    ]


def test_bytes_that_look_like_a_remark_of_strace_stay_bytes():
    calls, bad = read(
        '1 1.0 read(3</data/a>,  <unfinished ...>\n1 1.1 <... read resumed>"a <unfinished ...>", 99) = 18\n'
        '1 1.2 write(3</data/a>, "<... read resumed> <unfinished ...>)", 36 <unfinished ...>\n'
        "1 1.3 <... write resumed>) = 36\n1 1.4 read(3</data/a>,  <unfinished ...>\n"
        "1 1.5 <... read resumed> <unfinished ...>) = ?\n"
    )
    assert bad == []
    assert [(call.args, call.value) for call in calls] == [
        ('3</data/a>, "a <unfinished ...>", 99', "18"),
        ('3</data/a>, "<... read resumed> <unfinished ...>)", 36', "36"),
        ("3</data/a>, ", UNKNOWN),
    ]


def test_overlapping_calls_come_in_the_order_of_their_returns_and_show_that_they_overlap():
    calls, _ = read(
        '1 1.000000 write(3</data/a>, "first", 5 <unfinished ...>\n'
        '2 1.100000 write(3</data/a>, "second", 6) = 6\n'
        "1 1.200000 <... write resumed>) = 5\n"
    )
    assert [(call.value, call.first_line, call.line) for call in calls] == [("6", 0, 2), ("5", 1, 3)]


def test_a_call_that_never_returns_is_reported_when_its_process_ends():
    calls, _ = read(
        '1 1.0 write(3</data/a>, "first", 5 <unfinished ...>\n2 1.1 read(3</data/a>,  <unfinished ...>\n'
        "1 1.2 +++ killed by SIGKILL +++\n2 1.3 +++ gone +++\n"
    )
    assert [(call.pid, call.name, call.value) for call in calls] == [
        (1, "write", UNKNOWN),
        (1, ENDED, ""),
        (2, "read", UNKNOWN),
    ]


def test_a_close_counts_when_it_begins():
    calls, _ = read(
        "1 1.000000 close(3</data/a> <unfinished ...>\n"
        '2 1.100000 openat(AT_FDCWD</>, "/data/b", O_RDONLY) = 3</data/b>\n'
        "1 1.200000 <... close resumed>) = 0\n"
    )
    assert [(call.name, call.value, call.begun) for call in calls] == [
        ("close", "", False),
        ("openat", "3", False),
        ("close", "0", True),
    ]


def test_an_exec_that_takes_over_another_thread():
    calls, bad = read(
        '12 1.0 execve("/bin/true", ["true"], 0x1 /* 2 vars */ <pid changed to 10 ...>\n'
        "10 1.1 +++ superseded by execve in pid 12 +++\n10 1.2 <... execve resumed>) = 0\n"
    )
    assert bad == []
    assert [(call.pid, call.name, call.value) for call in calls] == [(10, "execve", "0")]


def test_signals_and_ends_are_passed_over():
    calls, bad = read(
        "1 1.0 --- SIGCHLD {si_signo=SIGCHLD, si_code=CLD_EXITED, si_pid=2} ---\n1 1.1 exit_group(0) = ?\n"
        "1 1.1 --- stopped by SIGSTOP ---\n1 1.2 +++ exited with 0 +++\n"
        "2 1.3 +++ killed by SIGSEGV (core dumped) +++\n\n",
        frozenset({"exit_group"}),
    )
    assert bad == []
    assert [(call.pid, call.name) for call in calls] == [(1, ENDED), (2, ENDED)]


@pytest.mark.parametrize(
    "line",
    [
        "nonsense",
        "1 write(3, 4) = 5",
        "1 1.0 write(3</data/a>",
        "1 1.0 <... write resumed>) = 5",
        "1 1.0 +++ gone +++",
        "1 1.0 write(3, 4) = five",
        "1 1.0 --- nothing",
        "\0\xff",
    ],
)
def test_lines_that_cannot_be_read_are_reported_with_their_number(line):
    calls, bad = read(f"1 1.0 sync() = 0\n{line}\n1 1.0 sync() = 0\n")
    assert (len(calls), bad) == (2, [2])


def test_ignored_calls_are_left_out_in_one_piece_or_two():
    calls, bad = read(
        "1 1.0 brk(NULL) = 0x1\n1 1.1 brk(0x2 <unfinished ...>\n"
        "1 1.2 <... brk resumed>) = 0x2\n1 1.3 brk(0x3 <unfinished ...>\n",
        frozenset({"brk"}),
    )
    assert (calls, bad) == ([], [])


@settings(max_examples=200)
@given(
    st.lists(st.binary(max_size=80) | st.sampled_from([b"1 1.0 write(", b") = 5", b"<... write resumed>", b'"', b"\n"]))
)
def test_any_bytes_are_read_or_counted(parts):
    lines = b"".join(parts).decode("latin-1").split("\n")
    bad = []
    calls = list(Reader(lines, frozenset(), lambda line, text: bad.append(line)))
    assert len(calls) + len(bad) <= 2 * len(lines)
    assert all(is_line(lines[call.line - 1]) or call.name == ATTACHED for call in calls)


def test_long_lines_that_lead_nowhere_take_no_time():
    for line in (
        ") = 5 (" * 50_000,
        '1 1.0 write(3, "' + ") = 5 (" * 50_000,
        "1 1.0 w(" + ") = 3<" * 50_000,
        "1 " * 100_000,
    ):
        assert read(line + "\n") == ([], [1])
