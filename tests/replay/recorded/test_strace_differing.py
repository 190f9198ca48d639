"""Every file that may differ from the host's at the end is named once, with the reason, and no other file is."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfs.replay.recorded.differing import WRITTEN_BEFORE
from simfs.replay.recorded.faults import BadRecording
from simfs.replay.recorded.files import OVERLAPPED, STRANGE, THERE_BEFORE
from tests.replay.recorded.traces import NEW, files_in, replay_trace, skipped_in

SPOILT = NEW + "1 sendfile(3</d/a>, 9</etc/x>, NULL, 9) = 7\n"
NOT_HELD = "a recording does not hold the bytes"


@pytest.mark.parametrize(
    ("calls", "named"),
    [
        ("", {}),
        ("1 sendfile(3</d/a>, 9</etc/x>, NULL, 9) = 7", {"/a": NOT_HELD}),
        ("1 mmap(NULL, 9, PROT_READ, MAP_PRIVATE, 3</d/a>, 0) = 0x7f", {}),
        ("1 mmap(NULL, 9, PROT_READ|PROT_WRITE, MAP_SHARED, 3</d/a>, 0) = 0x7f",
         {"/a": "a recording does not hold what is stored through a shared mapping"}),
        ('1 write(3</d/a>, "x", 1) = ?', {"/a": "write: it never returned, what it did is not known"}),
        ('1 read(3</d/a>, "", 1) = ?', {}),
        ('1 write(3</d/a>, "x"..., 9) = 9', {"/a": "strace cut the string short"}),
        ("1 write(3</d/a>, what) = 9", {"/a": "write: its line can't be read"}),
        ("1 vanish(3</d/a>) = 0", {"/a": "vanish: a call that this replay does not know"}),
        ('1 mknod("/d/b", S_IFREG|0644) = 0', {"/b": "mknod: a call that this replay does not know"}),
        ("1 fallocate(3</d/a>, FALLOC_FL_COLLAPSE_RANGE, 0, 0) = 0",
         {"/a": "fallocate with FALLOC_FL_COLLAPSE_RANGE moves bytes inside the file"}),
        ("1 fstat(3</d/a>, {st_mode=S_IFREG|0644, st_size=2, ...}) = 0", {"/a": STRANGE}),
        ('1 write(9</d/b>, "x", 1) = 1', {"/b": "the recording does not show its opening"}),
        ('1 openat(AT_FDCWD</d>, "b", O_RDONLY) = 5</d/b>', {"/b": THERE_BEFORE}),
        ('1 truncate("/d/b", 5) = 0', {"/b": THERE_BEFORE}),
        ('1 rename("/d/b", "/d/a") = 0', {"/a": THERE_BEFORE}),
        ('1 unlink("/d/b") = 0', {}),
        ('1 symlink("a", "/d/b") = 0', {"/b": "it is a symbolic link, and the store has no links"}),
        ('1 rename("/x", "/d/b") = 0', {"/b": "it comes from outside, the recording does not hold its bytes"}),
        ('1 renameat2(AT_FDCWD</d>, "a", AT_FDCWD</d>, "b", RENAME_EXCHANGE) = 0',
         dict.fromkeys(("/a", "/b"), "the store can't exchange two names (RENAME_EXCHANGE)")),
        ('1 renameat2(AT_FDCWD</d>, "a", AT_FDCWD</>, "x", RENAME_EXCHANGE) = 0',
         {"/a": "the store can't exchange two names (RENAME_EXCHANGE)"}),
        ("1 io_uring_enter(9<anon_inode:[io_uring]>, 1, 0, 0, NULL, 8) = 1",
         {"/a": "io_uring_enter: a recording does not hold what is done through a queue"}),
        ("1 io_submit(0x7f, 1, 0x7ff) = 1",
         {"/a": "io_submit: a recording does not hold what is done through a queue"}),
        ('1 close(3</d/a>) = 0\n1 unlink("/d/a") = 0\n'
         '1 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT|O_APPEND, 0644) = 3</d/a>', {}),
    ],
)  # fmt: skip
def test_each_sort_of_difference(tmp_path: Path, calls: str, named: dict[str, str]) -> None:
    run = replay_trace(tmp_path, NEW + calls if calls else NEW)
    assert {file.name: file.why for file in run.differing} == named
    assert len(run.differing) == len(named)


@pytest.mark.parametrize(
    ("calls", "named"),
    [
        ('1 rename("/d/a", "/d/b") = 0', ["/b"]),
        ('1 mkdir("/d/s", 0755) = 0\n1 rename("/d/a", "/d/s/a") = 0\n1 rename("/d/s", "/d/t") = 0', ["/t/a"]),
        ('1 creat("/d/b", 0644) = 4</d/b>\n1 rename("/d/b", "/d/a") = 0', []),
        ('1 unlink("/d/a") = 0', []),
        ("1 ftruncate(3</d/a>, 0) = 0", []),
        ("1 ftruncate(3</d/a>, 3) = 0", ["/a"]),
        ('1 openat(AT_FDCWD</d>, "a", O_WRONLY|O_TRUNC) = 4</d/a>', []),
        ('1 openat(AT_FDCWD</d>, "a", O_WRONLY|O_CREAT) = 4</d/a>', ["/a"]),
        ('1 unlink("/d/a") = 0\n1 creat("/d/a", 0644) = 4</d/a>\n1 sendfile(3</d/a>, 9</etc/x>, NULL, 9) = 7', []),
    ],
)
def test_a_spoilt_file_is_followed(tmp_path: Path, calls: str, named: list[str]) -> None:
    run = replay_trace(tmp_path, SPOILT + calls)
    assert [(file.line, file.name) for file in run.differing] == [(2, name) for name in named]


@pytest.mark.parametrize(
    ("before", "flags", "after", "sure"),
    [
        ("", "O_CREAT|O_APPEND", "", False),
        ("", "O_CREAT|O_TRUNC", "", True),
        ("", "O_CREAT|O_EXCL", "", True),
        ("", "O_CREAT", "1 lseek(3</d/s/b>, 0, SEEK_END) = 0", True),
        ("", "O_CREAT", "1 fstat(3</d/s/b>, {st_mode=S_IFREG|0644, st_size=0, ...}) = 0", True),
        ('1 mkdir("/d", 0755) = 0', "O_CREAT", "", True),
        ('1 mkdir("/d/s", 0755) = 0', "O_CREAT", "", True),
        ('1 mkdir("/d/s/bb", 0755) = 0', "O_CREAT", "", False),
    ],
)
def test_a_file_that_may_have_been_there_before(
    tmp_path: Path, before: str, flags: str, after: str, sure: bool
) -> None:
    run = replay_trace(
        tmp_path, f'{before}\n1 openat(AT_FDCWD</d>, "s/b", O_WRONLY|{flags}, 0644) = 3</d/s/b>\n{after}'
    )
    assert [file.why for file in run.differing] == ([] if sure else [WRITTEN_BEFORE])


def test_calls_that_overlap(tmp_path: Path) -> None:
    run = replay_trace(
        tmp_path,
        NEW + '1 clone(child_stack=NULL, flags=CLONE_FILES) = 2\n1 write(3</d/a>, "x",  <unfinished ...>\n'
        '2 write(3</d/a>, "y", 1) = 1\n1 <... write resumed>1) = 1',
    )
    assert [file.why for file in run.differing] == [OVERLAPPED]


def test_strict_refuses_the_first_such_file(tmp_path: Path) -> None:
    with pytest.raises(
        BadRecording, match=r"recording: line 2: /b may differ from the host's file: a recording does no"
    ):
        replay_trace(tmp_path, SPOILT + '1 rename("/d/a", "/d/b") = 0', strict=True)
    assert replay_trace(tmp_path, SPOILT + '1 unlink("/d/a") = 0', strict=True).differing == []


# --- queues ----------------------------------------------------------------------------------------------------------


def request(kind: str, rest: str = "") -> str:
    return f"{{aio_data=0, aio_lio_opcode=IOCB_CMD_{kind}, aio_fildes=3</d/a>{rest}}}"


QUEUED = ", ".join(
    [
        request("PWRITE", ', aio_buf="ab{}, \\x5d]", aio_nbytes=8, aio_offset=1'),
        request("PWRITEV", ', aio_buf=[{iov_base="x", iov_len=1}, {iov_base="yz", iov_len=2}], aio_offset=10'),
        request("FSYNC"),
        request("PREAD", ", aio_buf=0x7f3c, aio_nbytes=100, aio_offset=0"),
        request("POLL"),
    ]
)


def test_requests_of_a_queue_are_replayed(tmp_path: Path) -> None:
    run = replay_trace(tmp_path, NEW + f"1 io_submit(0x7f, 5, [{QUEUED}]) = 5", strict=True)
    assert files_in(run) == {"/a": b"\0ab{}, ]]\0xyz"}
    assert skipped_in(run) == []
    assert dict(run.tasks["process 1"].operations) == {"open": 1, "write": 2, "flush": 1, "read": 1, "close": 1}


def test_requests_that_were_not_taken_are_not_replayed(tmp_path: Path) -> None:
    run = replay_trace(
        tmp_path, NEW + f"1 io_submit(0x7f, 5, [{QUEUED}]) = 1\n1 io_submit(0x7f, 1, 0x5) = -1 EINVAL (x)"
    )
    assert files_in(run) == {"/a": b"\0ab{}, ]]"}


def test_a_request_that_failed_spoils_the_files_of_the_queue(tmp_path: Path) -> None:
    events = "1 io_getevents(0x7f, 1, 8, [{data=0, obj=0x7f, res=%s, res2=0}], NULL) = 1"
    assert replay_trace(tmp_path, NEW + f"1 io_submit(0x7f, 5, [{QUEUED}]) = 5\n{events % 8}").differing == []
    run = replay_trace(tmp_path, NEW + f"1 io_submit(0x7f, 5, [{QUEUED}]) = 5\n{events % -5}")
    assert [file.name for file in run.differing] == ["/a"]


def test_close_on_exec_is_followed_through_ioctl(tmp_path: Path) -> None:
    run = replay_trace(
        tmp_path,
        """1 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT|O_TRUNC|O_CLOEXEC, 0644) = 3</d/a>
        1 openat(AT_FDCWD</d>, "b", O_RDWR|O_CREAT|O_TRUNC, 0644) = 4</d/b>
        1 ioctl(3</d/a>, FIONCLEX) = 0
        1 ioctl(4</d/b>, FIOCLEX) = 0
        1 execve("/bin/next", ["next"], 0x1 /* 3 vars */) = 0
        1 write(3</d/a>, "kept", 4) = 4
        1 write(4</d/b>, "closed", 6) = 6""",
    )
    assert files_in(run) == {"/a": b"kept", "/b": b""}
