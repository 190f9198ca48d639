"""Recordings written by hand: what each system call does to the store, and what is counted in its place."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simfs.files import Store
from simfs.flash import NorFlash
from simfs.replay.recorded.faults import BadRecording
from simfs.replay.recorded.files import STRANGE, THERE_BEFORE
from simfs.replay.recorded.strace.recording import is_recording, replay_recording, store_directory
from simfs.store.format.config import StoreConfig


def new_store(**settings):
    return Store.format(NorFlash(block_count=32), StoreConfig(**{"open_files_max": 32, **settings}))


@pytest.fixture
def replay(tmp_path):
    """Replays lines `PID CALL`, to which it gives times; returns the run. `/d` is the store."""

    def run(text, *, store=None, directory="/d", **options):
        lines = [line.strip() for line in text.strip().splitlines()]
        stamped = [f"{line.split(' ', 1)[0]} {at}.000000 {line.split(' ', 1)[1]}\n" for at, line in enumerate(lines, 1)]
        path = tmp_path / "recording"
        path.write_text("".join(stamped), "latin-1")
        return replay_recording(path, store or new_store(), directory=directory, **options)

    return run


def files(run):
    store = run.store
    found = {}
    for name in store.names():
        with store.open(name, "rb") as file:
            found[name] = file.read()
    return found


def skipped(run):
    return [(entry.line, entry.what, entry.count) for entry in run.skipped]


NEW = '1 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT|O_TRUNC, 0644) = 3</d/a>\n'


def test_open_write_close(replay):
    run = replay(NEW + '1 write(3</d/a>, "hello\\n", 6) = 6\n1 close(3</d/a>) = 0')
    assert files(run) == {"/a": b"hello\n"}
    assert skipped(run) == []
    assert run.kind == "recording"
    assert {name: dict(task.operations) for name, task in run.tasks.items()} == {
        "process 1": {"open": 1, "write": 1, "close": 1}
    }


@pytest.mark.parametrize(
    "opening",
    [
        'open("/d/a", O_WRONLY|O_CREAT, 0644) = 3</d/a>',
        'open("/d/sub/../a", O_WRONLY|O_CREAT, 0644) = 3',
        'creat("/d/a", 0644) = 3</d/a>',
        'openat(7</d>, "a", O_WRONLY|O_CREAT|O_EXCL, 0644) = 3</d/a>',
        'openat(AT_FDCWD</d/sub>, "../a", O_WRONLY|O_CREAT, 0644) = 3',
        'openat(AT_FDCWD</d>, "\\x61", O_WRONLY|O_CREAT, 0644) = 3<\\x2f\\x64\\x2f\\x61>',
        'openat2(AT_FDCWD</d>, "a", {flags=O_WRONLY|O_CREAT, mode=0644, resolve=0}, 24) = 3</d/a>',
    ],
)
def test_ways_to_open(replay, opening):
    run = replay(f'1 {opening}\n1 write(3</d/a>, "x", 1) = 1')
    assert (files(run), skipped(run)) == ({"/a": b"x"}, [])


def test_what_a_write_returned_counts_and_not_what_it_was_given(replay):
    run = replay(NEW + '1 write(3</d/a>, "abcdef", 6) = 4\n1 write(3</d/a>, "ef", 2) = 2')
    assert files(run) == {"/a": b"abcdef"}


def test_positions_offsets_and_vectors(replay):
    run = replay(
        NEW
        + """1 write(3</d/a>, "0123456789", 10) = 10
        1 pwrite64(3</d/a>, "AB", 2, 1) = 2
        1 lseek(3</d/a>, -3, SEEK_END) = 7
        1 writev(3</d/a>, [{iov_base="x", iov_len=1}, {iov_base="yz", iov_len=2}], 2) = 2
        1 pwritev(3</d/a>, [{iov_base="PQ", iov_len=2}], 1, 12) = 2
        1 pwritev2(3</d/a>, [{iov_base="!", iov_len=1}], 1, -1, RWF_DSYNC) = 1
        1 pwritev2(3</d/a>, [{iov_base="R", iov_len=1}], 1, 0, RWF_APPEND) = 1
        1 pread64(3</d/a>, "0AB3", 4, 0) = 4
        1 preadv(3</d/a>, [{iov_base="0A", iov_len=2}, {iov_base="B", iov_len=1}], 2, 0) = 3
        1 lseek(3</d/a>, 0, SEEK_SET) = 0
        1 read(3</d/a>, "0AB3456xy!\\0\\0PQR", 100) = 15
        1 read(3</d/a>, "", 100) = 0"""
    )
    assert files(run) == {"/a": b"0AB3456xy!\0\0PQR"}
    assert skipped(run) == []


def test_appending_goes_to_the_end_whoever_moved_it(replay):
    run = replay(
        NEW
        + """1 openat(AT_FDCWD</d>, "a", O_WRONLY|O_APPEND) = 4</d/a>
        1 write(3</d/a>, "12345", 5) = 5
        1 write(4</d/a>, "-a", 2) = 2
        1 pwrite64(4</d/a>, "-b", 2, 0) = 2
        1 fcntl(4</d/a>, F_SETFL, O_WRONLY) = 0
        1 pwrite64(4</d/a>, "X", 1, 0) = 1
        1 fcntl(3</d/a>, F_SETFL, O_RDWR|O_APPEND) = 0
        1 write(3</d/a>, "-c", 2) = 2
        1 lseek(3</d/a>, 1, SEEK_SET) = 1
        1 write(3</d/a>, "", 0) = 0
        1 read(3</d/a>, "234", 3) = 3"""
    )
    assert files(run) == {"/a": b"X2345-a-b-c"}
    assert skipped(run) == []


def test_copies_of_a_descriptor_share_one_position(replay):
    run = replay(
        NEW
        + """1 dup(3</d/a>) = 4</d/a>
        1 dup2(3</d/a>, 7) = 7</d/a>
        1 dup3(3</d/a>, 8, O_CLOEXEC) = 8</d/a>
        1 fcntl(3</d/a>, F_DUPFD, 10) = 10</d/a>
        1 fcntl(3</d/a>, F_DUPFD_CLOEXEC, 10) = 11</d/a>
        1 close(3</d/a>) = 0
        1 write(4</d/a>, "4", 1) = 1
        1 write(7</d/a>, "7", 1) = 1
        1 write(8</d/a>, "8", 1) = 1
        1 write(10</d/a>, "A", 1) = 1
        1 execve("/bin/next", ["next"], 0x1 /* 3 vars */) = 0
        1 write(4</d/a>, "n", 1) = 1
        1 fcntl(4</d/a>, F_SETFD, FD_CLOEXEC) = 0
        1 close_range(7, 10, 0) = 0
        1 execve("/bin/last", ["last"], 0x1 /* 3 vars */) = 0
        1 write(4</d/a>, "x", 1) = 1"""
    )
    assert files(run) == {"/a": b"478An"}
    assert skipped(run) == [(17, "write on /a: the recording does not show its opening", 1)]
    assert run.tasks["next"].operations["close"] == 1
    assert run.tasks["process 1"].operations["write"] == 4


def test_a_copy_onto_itself_changes_nothing(replay):
    run = replay(
        """1 openat(AT_FDCWD</d>, "a", O_WRONLY|O_CREAT|O_CLOEXEC, 0644) = 3</d/a>
        1 dup2(3</d/a>, 3</d/a>) = 3</d/a>
        1 execve("/bin/next", ["next"], 0x1 /* 3 vars */) = 0
        1 write(3</d/a>, "x", 1) = 1"""
    )
    assert files(run) == {"/a": b""}
    assert skipped(run) == [(4, "write on /a: the recording does not show its opening", 1)]


def test_a_close_that_returns_late_closes_nothing_twice(replay):
    run = replay(
        NEW
        + """1 clone(flags=CLONE_FILES) = 2
        1 close(3</d/a> <unfinished ...>
        2 openat(AT_FDCWD</d>, "b", O_WRONLY|O_CREAT, 0644) = 3</d/b>
        1 <... close resumed>) = 0
        1 write(3</d/b>, "b", 1) = 1"""
    )
    assert (files(run), skipped(run)) == ({"/a": b"", "/b": b"b"}, [])


def test_a_thread_that_leaves_its_siblings_takes_their_descriptors_not_away(replay):
    run = replay(
        """1 openat(AT_FDCWD</d>, "a", O_WRONLY|O_CREAT|O_CLOEXEC, 0644) = 3</d/a>
        1 clone(flags=CLONE_FILES) = 2
        2 execve("/bin/next", ["next"], 0x1 /* 3 vars */) = 0
        1 write(3</d/a>, "1", 1) = 1
        1 clone(flags=CLONE_FILES) = 3
        3 close_range(3, 4294967295, CLOSE_RANGE_UNSHARE) = 0
        1 write(3</d/a>, "2", 1) = 1
        3 +++ exited with 0 +++
        1 close_range(0, 9, CLOSE_RANGE_CLOEXEC) = 0
        1 write(3</d/a>, "3", 1) = 1
        1 execve("/bin/next", ["next"], 0x1 /* 3 vars */) = 0
        1 write(3</d/a>, "4", 1) = 1"""
    )
    assert files(run) == {"/a": b"123"}
    assert skipped(run) == [(12, "write on /a: the recording does not show its opening", 1)]


def test_a_descriptor_is_replaced_by_one_of_another_place(replay):
    run = replay(NEW + '1 dup2(9</dev/null>, 3) = 3</dev/null>\n1 write(3</dev/null>, "x", 1) = 1')
    assert files(run) == {"/a": b""}
    assert run.tasks["process 1"].operations["close"] == 1


def test_a_child_shares_positions_and_not_descriptors(replay):
    run = replay(
        NEW
        + """1 write(3</d/a>, "1", 1) = 1
        1 clone(child_stack=NULL, flags=CLONE_CHILD_SETTID|SIGCHLD, child_tidptr=0x7) = 2
        2 write(3</d/a>, "2", 1) = 1
        1 write(3</d/a>, "1", 1) = 1
        2 close(3</d/a>) = 0
        1 write(3</d/a>, "1", 1) = 1
        1 close(3</d/a>) = 0
        2 +++ exited with 0 +++"""
    )
    assert files(run) == {"/a": b"1211"}
    assert run.tasks["process 1"].operations["close"] == 1


def test_a_child_runs_before_its_parent_knows_of_it(replay):
    run = replay(
        NEW
        + """1 vfork( <unfinished ...>
        2 write(3</d/a>, "child ", 6) = 6
        2 execve("/bin/tool", ["tool"], 0x1 <unfinished ...>
        1 <... vfork resumed>) = 2
        2 <... execve resumed>) = 0
        2 write(3</d/a>, "tool ", 5) = 5
        2 +++ exited with 0 +++
        1 write(3</d/a>, "parent", 6) = 6"""
    )
    assert files(run) == {"/a": b"child tool parent"}
    assert run.tasks["tool"].operations["write"] == 1


def test_pids_are_left_out_while_strace_follows_one_process(tmp_path):
    path = tmp_path / "recording"
    path.write_text(
        '1.0 openat(AT_FDCWD</d>, "a", O_WRONLY|O_CREAT, 0) = 3</d/a>\n1.1 clone(flags=SIGCHLD) = 12\n'
        '1.2 clone(flags=SIGCHLD) = 13\n1.3 write(3</d/a>, "first ", 6) = 6\nstrace: Process 12 attached\n'
        'strace: Process 13 attached\n[pid 11] 1.4 write(3</d/a>, "again ", 6) = 6\n'
        '[pid 12] 1.5 write(3</d/a>, "child ", 6) = 6\n[pid 12] 1.6 +++ exited with 0 +++\n'
        "[pid 13] 1.7 wait4(-1,  <unfinished ...>\n[pid 11] 1.8 +++ exited with 0 +++\n"
        '1.9 <... wait4 resumed>0x1, 0, NULL) = -1 ECHILD (No child processes)\n1.9 write(3</d/a>, "last", 4) = 4\n'
        '2.0 clone(flags=SIGCHLD) = 14\n2.1 write(3</d/a>, "!", 1) = 1\n'
        "2.2 clone(flags=SIGCHLDstrace: Process 15 attached\n"
        ' <unfinished ...>\n[pid 15] 2.3 write(3</d/a>, "?", 1) = 1\n[pid 13] 2.4 <... clone resumed>) = 15\n'
        '[pid 99] 2.5 write(3</d/a>, "not one of them", 1) = 1\n'
    )
    run = replay_recording(path, new_store(), directory="/d")
    assert files(run) == {"/a": b"first again child last!?"}
    assert [entry.what for entry in run.skipped] == ["write on /a: the recording does not show its opening"]
    assert {name: task.operations["write"] for name, task in run.tasks.items()} == {"program": 6}


def test_the_first_process_gets_its_pid_while_it_makes_another(tmp_path):
    path = tmp_path / "recording"
    path.write_text(
        '1.0 openat(AT_FDCWD</d>, "a", O_WRONLY|O_CREAT, 0) = 3</d/a>\n1.1 vfork(strace: Process 12 attached\n'
        ' <unfinished ...>\n[pid 12] 1.2 write(3</d/a>, "child", 5) = 5\n[pid 11] 1.3 <... vfork resumed>) = 12\n'
        '[pid 99] 1.4 write(3</d/a>, "not one of them", 1) = 1\n'
    )
    run = replay_recording(path, new_store(), directory="/d")
    assert files(run) == {"/a": b"child"}
    assert [entry.what for entry in run.skipped] == ["write on /a: the recording does not show its opening"]


def test_of_two_clones_in_flight_the_child_finds_its_own_parent(replay):
    run = replay(
        """1 openat(AT_FDCWD</d>, "one", O_WRONLY|O_CREAT, 0644) = 3</d/one>
        1 fork() = 2
        2 openat(AT_FDCWD</d>, "two", O_WRONLY|O_CREAT, 0644) = 4</d/two>
        1 openat(AT_FDCWD</d>, "three", O_WRONLY|O_CREAT, 0644) = 4</d/three>
        1 fork( <unfinished ...>
        2 fork( <unfinished ...>
        9 write(4</d/two>, "nine", 4) = 4
        8 write(4</d/three>, "eight", 5) = 5
        2 <... fork resumed>) = 9
        1 <... fork resumed>) = 8"""
    )
    assert files(run) == {"/one": b"", "/two": b"nine", "/three": b"eight"}
    assert skipped(run) == []


def test_threads_share_descriptors_and_directory(replay):
    run = replay(
        NEW
        + """1 clone3({flags=CLONE_VM|CLONE_FS|CLONE_FILES|CLONE_THREAD, exit_signal=0} => {parent_tid=[2]}, 88) = 2
        2 mkdir("/d/sub", 0755) = 0
        2 chdir("/d/sub") = 0
        2 openat(AT_FDCWD, "b", O_WRONLY|O_CREAT, 0644) = 4</d/sub/b>
        2 +++ exited with 0 +++
        1 write(4</d/sub/b>, "both", 4) = 4
        1 unlink("../a") = 0
        1 clone(flags=CLONE_FILES) = 3
        3 unshare(CLONE_FILES) = 0
        3 close(4</d/sub/b>) = 0
        1 write(4</d/sub/b>, "!", 1) = 1"""
    )
    assert files(run) == {"/sub/b": b"both!"}
    assert skipped(run) == []


def test_working_directories(replay):
    run = replay(
        """1 unlink("gone") = 0
        1 getcwd("/d", 4096) = 3
        1 creat("a", 0644) = 3</d/a>
        1 fchdir(5</d/in>) = 0
        1 rename("../a", "b") = 0
        1 chdir("..") = 0
        1 truncate("in/b", 3) = 0
        1 openat(AT_FDCWD</elsewhere>, "x", O_RDONLY) = 4</elsewhere/x>
        1 unlink("in/b") = 0
        1 getcwd(0x7ffd, 1) = -1 ERANGE (Numerical result out of range)"""
    )
    assert files(run) == {"/in/b": b"\0\0\0"}
    assert skipped(run) == [(1, "the recording does not tell from where 'gone' is a path (record with -y)", 1)]


def test_what_is_shown_as_working_directory_is_the_truth(replay):
    run = replay(
        """1 openat(AT_FDCWD</d>, "a", O_WRONLY|O_CREAT, 0644) = 3</d/a>
        1 chdir("/link") = 0
        1 openat(AT_FDCWD</d>, "/etc/x", O_RDONLY) = 4</etc/x>
        1 unlink("a") = 0"""
    )
    assert (files(run), skipped(run)) == ({}, [])


def test_a_directory_reached_through_a_link(replay):
    run = replay(
        """1 openat(AT_FDCWD</>, "/link/a", O_WRONLY|O_CREAT, 0644) = 3</d/a>
        1 write(3</d/a>, "x", 1) = 1
        1 rename("/link/a", "/link/b") = 0"""
    )
    assert files(run) == {"/b": b"x"}


def test_sizes(replay):
    run = replay(
        NEW
        + """1 write(3</d/a>, "0123456789", 10) = 10
        1 ftruncate(3</d/a>, 4) = 0
        1 fallocate(3</d/a>, 0, 2, 6) = 0
        1 fallocate(3</d/a>, FALLOC_FL_KEEP_SIZE, 0, 4096) = 0
        1 fallocate(3</d/a>, FALLOC_FL_KEEP_SIZE|FALLOC_FL_PUNCH_HOLE, 1, 2) = 0
        1 newfstatat(3</d/a>, "", {st_mode=S_IFREG|0644, st_size=8, ...}, AT_EMPTY_PATH) = 0
        1 creat("/d/b", 0644) = 4</d/b>
        1 fallocate(4</d/b>, FALLOC_FL_ZERO_RANGE, 0, 3) = 0
        1 truncate("/d/b", 5) = 0
        1 fallocate(4</d/b>, FALLOC_FL_COLLAPSE_RANGE, 0, 4096) = 0"""
    )
    assert files(run) == {"/a": b"0\0\0003\0\0\0\0", "/b": b"\0" * 5}
    assert skipped(run) == [(11, "fallocate on /b: FALLOC_FL_COLLAPSE_RANGE moves bytes inside the file", 1)]


def test_names(replay):
    run = replay(
        NEW
        + """1 write(3</d/a>, "A", 1) = 1
        1 renameat2(AT_FDCWD</d>, "a", AT_FDCWD</d>, "b", RENAME_NOREPLACE) = 0
        1 write(3</d/b>, "B", 1) = 1
        1 creat("/d/c", 0644) = 4</d/c>
        1 renameat(5</d>, "b", 5</d>, "c") = 0
        1 write(4</d/c>(deleted), "lost", 4) = 4
        1 mkdir("/d/x", 0755) = 0
        1 rename("/d/c", "/d/x/c") = 0
        1 creat("/d/x/e", 0644) = 6</d/x/e>
        1 rename("/d/x", "/d/y") = 0
        1 write(6</d/y/e>, "E", 1) = 1
        1 unlinkat(AT_FDCWD</d>, "x", AT_REMOVEDIR) = 0
        1 creat("/d/out", 0644) = 8</d/out>
        1 rename("/d/out", "/tmp/out") = 0
        1 creat("/d/rm", 0644) = 9</d/rm>
        1 unlinkat(5</d>, "rm", 0) = 0
        1 creat("/dd/a", 0644) = 10</dd/a>"""
    )
    assert files(run) == {"/y/c": b"AB", "/y/e": b"E"}
    assert skipped(run) == []


def test_names_that_stay_or_belong_to_something_else(replay):
    run = replay(
        NEW
        + """1 rename("/d/a", "/d/./a") = 0
        1 unlink("/d/a") = 0
        1 creat("/d/a", 0644) = 4</d/a>
        1 write(4</d/a>, "new", 3) = 3
        1 rename("/d/a", "/d/b") = 0
        1 pread64(3</d/a>(deleted), "other", 9, 0) = 5
        1 creat("/d/in/c", 0644) = 5</d/in/c>
        1 rename("/d/in", "/d/on") = 0
        1 openat(AT_FDCWD</d>, "b", O_RDWR|O_TRUNC) = 6</d/b>
        1 openat(AT_FDCWD</d>, "b", O_RDWR|O_CREAT|O_EXCL, 0644) = 7</d/b>
        1 fsync(9</d>) = 0
        1 openat(AT_FDCWD</d>, "on", O_RDONLY) = 8</d/on>
        1 fsync(8</d/on>) = 0"""
    )
    assert files(run) == {"/b": b"", "/on/c": b""}
    assert skipped(run) == [(7, f"/a: {STRANGE}", 1)]
    assert [(refusal.operation, refusal.name, refusal.error) for refusal in run.refusals] == [("open", "/b", "EEXIST")]
    assert run.tasks["process 1"].operations["rename"] == 2


def test_flushing(replay):
    run = replay(
        NEW
        + """1 openat(AT_FDCWD</d>, "a", O_RDONLY) = 4</d/a>
        1 fsync(3</d/a>) = 0
        1 fdatasync(3</d/a>) = 0
        1 fsync(4</d/a>) = 0
        1 sync() = 0
        1 syncfs(3</d/a>) = 0"""
    )
    assert run.tasks["process 1"].operations["flush"] == 4

    def programs(flag):
        """Of three writes, which all go to one page."""
        write = '1 write(3</d/a>, "x", 1) = 1\n'
        run = replay(f'1 openat(AT_FDCWD</d>, "a", O_WRONLY|O_CREAT{flag}, 0644) = 3</d/a>\n{write * 3}')
        return run.tasks["process 1"].programs

    assert programs("|O_SYNC") == programs("|O_DSYNC") == programs("") + 2


def test_copying_moves_positions(replay):
    run = replay(
        NEW
        + """1 write(3</d/a>, "abcdef", 6) = 6
        1 lseek(3</d/a>, 0, SEEK_SET) = 0
        1 creat("/d/b", 0644) = 4</d/b>
        1 copy_file_range(3</d/a>, NULL, 4</d/b>, NULL, 2, 0) = 2
        1 write(4</d/b>, "x", 1) = 1
        1 copy_file_range(3</d/a>, [0] => [2], 4</d/b>, [9] => [11], 2, 0) = 2
        1 sendfile(4</d/b>, 3</d/a>, NULL, 1) = 1
        1 write(4</d/b>, "y", 1) = 1
        1 read(3</d/a>, "def", 9) = 3"""
    )
    assert files(run) == {"/a": b"abcdef", "/b": b"abxcy\0\0\0\0ab"}
    assert (skipped(run), run.differing) == ([], [])


def test_what_failed_on_the_host_is_counted_and_not_replayed(replay):
    run = replay(
        NEW
        + """1 write(3</d/a>, "x", 1) = -1 EIO (Input/output error)
        1 write(3</d/a>, 0x7f, 1) = -1 EFAULT (Bad address)
        1 openat(AT_FDCWD</d>, "b", O_RDONLY) = -1 ENOENT (No such file or directory)
        1 unlink("/d/b") = -1 ENOENT (No such file or directory)
        1 read(3</d/a>, 0x1, 5) = ? ERESTARTSYS (To be restarted if SA_RESTART is set)
        1 unlink("/elsewhere") = -1 ENOENT (No such file or directory)"""
    )
    assert files(run) == {"/a": b""}
    assert skipped(run) == []
    assert run.tasks["process 1"].operations["failed on the host"] == 5


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("mmap(NULL, 9, PROT_READ|PROT_WRITE, MAP_SHARED, 3</d/a>, 0) = 0x7f",
         "mmap of /a: a recording does not hold what is stored through a shared mapping"),
        ("mmap(NULL, 9, PROT_READ, MAP_SHARED, 3</d/a>, 0) = 0x7f",  # mprotect may come later
         "mmap of /a: a recording does not hold what is stored through a shared mapping"),
        ("mmap(NULL, 9, PROT_READ, MAP_PRIVATE, 3</d/a>, 0) = 0x7f",
         "mmap of /a: a recording does not hold what is read through a mapping"),
        ("copy_file_range(9</etc/x>, NULL, 3</d/a>, NULL, 99, 0) = 11",
         "copy_file_range into /a: a recording does not hold the bytes"
         " (record with --inject=copy_file_range:error=ENOSYS)"),
        ("sendfile(3</d/a>, 9</etc/x>, NULL, 99) = 7", "sendfile into /a: a recording does not hold the bytes"),
        ("splice(9<pipe:[1]>, NULL, 3</d/a>, NULL, 99, 0) = 7", "splice into /a: a recording does not hold the bytes"),
        ("ioctl(3</d/a>, BTRFS_IOC_CLONE or FICLONE, 9</etc/x>) = 0",
         "ioctl BTRFS_IOC_CLONE or FICLONE into /a: a recording does not hold the bytes"),
        ("io_uring_enter(9<anon_inode:[io_uring]>, 1, 0, 0, NULL, 8) = 1",
         "io_uring_enter: a recording does not hold what is done through a queue"),
        ('link("/etc/x", "/d/b") = 0', "link of /b: the store has no links"),
        ('linkat(AT_FDCWD</etc>, "x", AT_FDCWD</d>, "b", 0) = 0', "linkat of /b: the store has no links"),
        ('symlink("a", "/d/b") = 0', "symlink of /b: the store has no links"),
        ('renameat2(AT_FDCWD</d>, "a", AT_FDCWD</d>, "b", RENAME_EXCHANGE) = 0',
         "rename of /a: the store can't exchange two names (RENAME_EXCHANGE)"),
        ('rename("/tmp/x", "/d/a") = 0', "rename to /a: it comes from outside, the recording does not hold its bytes"),
        ('mknod("/d/b", S_IFREG|0644) = 0', "mknod: a call that this replay does not know"),
        ("vanish(3</d/a>) = 0", "vanish: a call that this replay does not know"),
        ("write(3</d/a>, \"x\", 1) = ?", "write on /a: it never returned, what it did is not known"),
        ('write(9</d/b>, "x", 1) = 1', "write on /b: the recording does not show its opening"),
        ('openat(AT_FDCWD</d>, "b", O_RDONLY) = 5</d/b>', f"open on /b: {THERE_BEFORE}"),
        ('unlink("/d/b") = 0', f"remove of /b: {THERE_BEFORE}"),
        ('openat(AT_FDCWD</d>, "/d", O_RDWR|O_TMPFILE, 0600) = 5</d/#9>(deleted)',
         "open on /#9: a file without a name (O_TMPFILE)"),
    ],
)  # fmt: skip
def test_what_a_recording_cannot_carry_is_counted_and_named(replay, line, what):
    run = replay(f"{NEW}1 dup(3</d/a>) = 4</d/a>\n1 {line}\n1 {line}")
    assert skipped(run) == [(3, what, 2)]


def test_a_string_that_was_cut_short_is_named_and_keeps_its_size(replay):
    run = replay(NEW + '1 write(3</d/a>, "abc"..., 2000) = 2000\n1 write(3</d/a>, "end", 3) = 3')
    assert files(run) == {"/a": b"abc" + bytes(1997) + b"end"}
    assert [entry.line for entry in run.skipped] == [2]
    assert "strace cut the string short" in run.skipped[0].what


def test_other_bytes_than_the_host_read_are_named(replay):
    run = replay(
        NEW
        + """1 write(3</d/a>, "abc", 3) = 3
        1 pread64(3</d/a>, "abX", 3, 0) = 3
        1 pread64(3</d/a>, "abcd", 9, 0) = 4
        1 pread64(3</d/a>, "ab", 9, 0) = 2
        1 preadv(3</d/a>, [{iov_base="ab", iov_len=9}], 1, 0) = 2
        1 lseek(3</d/a>, 0, SEEK_END) = 9
        1 fstat(3</d/a>, {st_mode=S_IFREG|0644, st_size=2, ...}) = 0"""
    )
    assert skipped(run) == [(3, f"/a: {STRANGE}", 6)]


def test_a_file_that_was_there_before_is_named_at_every_call(replay):
    run = replay(
        """1 openat(AT_FDCWD</d>, "old", O_RDWR) = 3</d/old>
        1 read(3</d/old>, "abc", 9) = 3
        1 write(3</d/old>, "d", 1) = 1
        1 fsync(3</d/old>) = 0
        1 close(3</d/old>) = 0"""
    )
    assert files(run) == {}
    assert skipped(run) == [
        (1, f"open on /old: {THERE_BEFORE}", 1),
        (2, f"read on /old: {THERE_BEFORE}", 1),
        (3, f"write on /old: {THERE_BEFORE}", 1),
        (4, f"flush on /old: {THERE_BEFORE}", 1),
    ]


def test_overlapping_changes_of_one_file_are_named(replay):
    run = replay(
        NEW
        + """1 fork() = 2
        1 write(3</d/a>, "one", 3 <unfinished ...>
        2 write(3</d/a>, "two", 3) = 3
        1 <... write resumed>) = 3
        1 pwrite64(3</d/a>, "X", 1, 0 <unfinished ...>
        2 pwrite64(3</d/a>, "Y", 1, 1) = 1
        1 <... pwrite64 resumed>) = 1
        2 openat(AT_FDCWD</d>, "b", O_RDWR|O_CREAT, 0644 <unfinished ...>
        1 write(3</d/a>, "!", 1) = 1
        2 <... openat resumed>) = 4</d/b>
        2 write(4</d/b>, "b", 1 <unfinished ...>
        1 write(3</d/a>, "!", 1) = 1
        2 <... write resumed>) = 1"""
    )
    assert files(run) == {"/a": b"XYoone!!", "/b": b"b"}
    assert skipped(run) == [(5, "/a: two calls overlapped, which came first is not in the recording", 1)]


def test_a_store_that_refuses_is_no_fault_of_the_recording(replay):
    run = replay(
        """1 creat("/d/a", 0644) = 3</d/a>
        1 creat("/d/b", 0644) = 4</d/b>
        1 write(4</d/b>, "x", 1) = 1
        1 write(3</d/a>, "a", 1) = 1
        1 close(3</d/a>) = 0
        1 creat("/d/this-name-is-too-long", 0644) = 5</d/this-name-is-too-long>
        1 unlink("/d/this-name-is-too-long") = 0""",
        store=new_store(open_files_max=1, name_bytes=20),
    )
    assert files(run) == {"/a": b"a"}
    assert [(refusal.operation, refusal.name, refusal.error) for refusal in run.refusals] == [
        ("open", "/b", "EMFILE"),
        ("write", "/b", "EBADF"),
        ("open", "/this-name-is-too-long", "ENAMETOOLONG"),
        ("remove", "/this-name-is-too-long", "ENAMETOOLONG"),
    ]
    assert [fault.name for fault in run.name_faults] == ["/this-name-is-too-long"]
    assert skipped(run) == []


def test_a_write_that_is_refused_moves_the_position_on(replay):
    small = Store.format(NorFlash(block_count=6, block_bytes=1024, page_bytes=64), StoreConfig())
    run = replay(
        NEW
        + f"""1 write(3</d/a>, "{"x" * 9000}", 9000) = 9000
        1 write(3</d/a>, "end", 3) = 3
        1 rename("/d/a", "/d/b") = 0
        1 pread64(3</d/b>, "xxx", 3, 0) = 3
        1 openat(AT_FDCWD</d>, "b", O_RDONLY) = 4</d/b>""",
        store=small,
    )
    assert len(files(run)["/b"]) == 9003
    assert [(refusal.operation, refusal.error) for refusal in run.refusals] == [("write", "ENOSPC")]
    assert skipped(run) == []


def test_an_offset_beyond_every_file_is_no_offset(replay):
    run = replay(NEW + '1 pwrite64(3</d/a>, "x", 1, 9223372036854775808) = 1\n1 pwrite64(3</d/a>, "x", 1, -1) = 1')
    assert [entry.line for entry in run.skipped] == [2, 3]
    assert all("is not an offset" in entry.what for entry in run.skipped)


def test_operations_begin_at_their_stamps(replay):
    run = replay(NEW + f'1 write(3</d/a>, "{"x" * 3000}", 3000) = 3000')
    assert run.writes.longest.operation == "write"
    assert run.writes.longest.at_ns == 10**9


def test_the_clock_follows_the_stamps(replay):
    run = replay(NEW + '1 write(3</d/a>, "x", 1) = 1\n1 close(3</d/a>) = 0\n1 sync() = 0\n1 exit_group(0) = ?')
    assert run.duration_ns >= 4 * 10**9
    assert run.duration_ns < 5 * 10**9


def test_unreadable_lines_are_counted_and_shown(replay):
    run = replay(NEW + '1 nonsense\n1 write(3</d/a>, no string) = 5\n1 write(3</d/a>, "x", 1) = 0x1')
    assert [(entry.line, entry.count) for entry in run.skipped] == [(2, 1), (3, 1), (4, 1)]
    assert all(f"line {entry.line} can't be read: '" in entry.what for entry in run.skipped)
    with pytest.raises(BadRecording, match=r"recording: line 2: '.*nonsense' can't be read; strace -f -y -ttt writes"):
        replay(NEW + "1 nonsense", strict=True)
    with pytest.raises(BadRecording, match=r"line 2: 'write.*' can't be read; write has other arguments"):
        replay(NEW + "1 write(3</d/a>, no string) = 5", strict=True)


def test_many_unreadable_lines_stay_few_entries(replay):
    run = replay("1 nonsense\n" * 100 + NEW)
    assert len(run.skipped) == 21  # 20 shown, one for the rest
    assert sum(entry.count for entry in run.skipped) == 100


def test_a_directory_that_no_call_concerns(replay):
    with pytest.raises(BadRecording, match=r"no call in it concerns /e; files are opened for writing in /d; name the"):
        replay(NEW, directory="/e")
    with pytest.raises(BadRecording, match=r"no call in it concerns /d; it opens no file for writing; name the store"):
        replay("1 nonsense\n")


def test_the_directory_is_found(tmp_path):
    recording = tmp_path / "r"

    def found(*opened):
        recording.write_text(
            "".join(f'1 1.0 openat(AT_FDCWD</>, "x", {flags}) = 3<{path}>\n' for flags, path in opened)
        )
        return store_directory(recording)

    assert found(("O_RDONLY", "/lib/x"), ("O_WRONLY", "/dev/null"), ("O_RDWR", "/data/a")) == "/data"
    assert found(("O_WRONLY", "/data/sub/a"), ("O_RDONLY|O_CREAT", "/data/b")) == "/data"
    assert found(("O_WRONLY", "\\x2f\\x64\\x2f\\x61")) == "/d"
    for opened in (
        [("O_WRONLY", "/data/a"), ("O_WRONLY", "/tmp/b")],
        [("O_WRONLY", "/database/a"), ("O_WRONLY", "/data/b"), ("O_WRONLY", "/data/base/c")],
    ):
        with pytest.raises(BadRecording, match=r"files are opened for writing in /data, /"):
            found(*opened)
    with pytest.raises(BadRecording, match="opens no file for writing; name the directory"):
        found(("O_RDONLY", "/data/a"))


@pytest.mark.parametrize("directory", ["data", "/", "", "."])
def test_a_directory_that_cannot_stand_for_the_store(replay, directory):
    with pytest.raises(BadRecording, match="absolute path"):
        replay(NEW, directory=directory)


def test_a_directory_may_end_in_a_slash(replay):
    assert files(replay(NEW, directory="//d/")) == {"/a": b""}


def test_recordings_are_recognised(tmp_path):
    file = tmp_path / "file"
    for text, recording in [
        ('12 1.000001 execve("/bin/x", ["x"], 0x1 /* 2 vars */) = 0\n', True),
        ("out of order\n[pid 3] 1.000001 read(3,  <unfinished ...>\n", True),
        ("1.000001 brk(NULL) = 0x1\n", True),
        ('title = "a scenario"\n[chip]\nsize = "1 MiB"\n', False),
        ("import simfs\nprint(1.0)\n", False),
        ("1 write(3, 4) = 5\n", False),
        ("", False),
    ]:
        file.write_text(text)
        assert is_recording(file) is recording, text
    file.write_bytes(bytes(range(256)) * 9)
    assert not is_recording(file)
    assert not is_recording(tmp_path)
    assert not is_recording(tmp_path / "missing")


def test_progress_ends_at_the_end(replay):
    told = []
    replay(NEW * 3, progress=lambda done, total: told.append((done, total)))
    assert told[-1][0] == told[-1][1] > 0


_CALLS = (
    "write( read( openat( rename( close( dup2( fcntl( lseek( pwritev( mmap( clone( execve( fallocate( copy_file_range("
)
_ARGUMENTS = (
    '3</d/a> 4</d/a> AT_FDCWD</d> "/d/a" "b" "\\x61\\777" O_RDWR|O_CREAT 99999999999999999999 7 -1 SEEK_END F_SETFL'
)
_RESULTS = "0 3 9 ? -1 3</d/a> 4</d/b>"
_REST = ["1 1.0 ", "2 1.0 ", ", ", ") = ", " <unfinished ...>", "<... write resumed>", "+++ exited with 0 +++", "\n"]
_PIECES = st.sampled_from(
    [*_CALLS.split(), *_ARGUMENTS.split(), *_RESULTS.split(), *_REST, '[{iov_base="x", iov_len=1}]', "-1 E (x)"]
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.lists(_PIECES, max_size=9).map("".join) | st.binary(max_size=60).map(lambda data: data.decode("latin-1")),
        max_size=9,
    )
)
def test_garbage_is_counted_and_never_raises(tmp_path, lines):
    path = tmp_path / "garbage"
    path.write_text("\n".join(['1 1.0 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT, 0) = 3</d/a>', *lines]), "latin-1")
    run = replay_recording(path, new_store(), directory="/d")
    assert run.store.check() == []
    assert all(entry.count >= 1 for entry in run.skipped)


# --- what would cost memory or time without bound --------------------------------------------------------------------


def test_a_read_of_more_than_the_flash_holds_is_not_replayed(replay):
    """A hole of 4 GiB costs one frame; the bytes that a line says were read of it must not be made."""
    run = replay(
        NEW
        + f"1 ftruncate(3</d/a>, {2**32 - 1}) = 0\n"
        + f'1 pread64(3</d/a>, "", {2**31}, 0) = {2**31 - 4096}\n'
        + f'1 read(3</d/a>, "\\0\\0", {2**31}) = {2**20}\n'
        + '1 write(3</d/a>, "x", 1) = 1\n'
    )
    assert skipped(run) == [(3, "read on /a: more at once than the whole flash holds", 2)]
    with run.store.open("/a") as file:
        file.seek(2**20)
        assert file.read(1) == b"x"


def test_copies_of_descriptors_are_bounded(replay, monkeypatch):
    """n files open in m processes are n times m descriptors."""
    monkeypatch.setattr("simfs.replay.recorded.strace.processes.COPIES_MAX", 5)
    opened = "".join(NEW.replace("= 3", f"= {number}") for number in (3, 4))
    ended = "".join(f"1 fork() = {pid}\n{pid} +++ exited with 0 +++\n" for pid in range(10, 20))
    run = replay(opened + ended + '1 fork() = 2\n1 fork() = 3\n1 fork() = 4\n1 write(3</d/a>, "x", 1) = 1\n')
    ((line, what, count),) = skipped(run)
    assert (line, count) == (25, 1)
    assert "more than 5 copies of descriptors" in what
    assert files(run) == {"/a": b"x"}


def test_a_long_line_is_looked_through_once(replay):
    """The host's size of a file, looked for behind each of many other fields, would take their square."""
    run = replay(NEW + "1 fstat(3</d/a>, {" + "st_mode=S_IFREG|" * 60_000 + "}) = 0\n")
    assert skipped(run) == []
    with pytest.raises(BadRecording, match="other arguments"):
        replay(NEW + f"1 pread64(3</d/a>, {{st_mode=S_IFREG|, st_size={'9' * 5000}}}) = 0\n", strict=True)
    assert skipped(replay(NEW + f"1 fstat(3</d/a>, {{st_mode=S_IFREG|0644, st_size={'9' * 5000}}}) = 0\n")) != []
