"""Copies that the host's kernel makes are made of the store's own bytes, as far as it has them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.replay.recorded.traces import NEW, files_in, replay_trace, skipped_in

COPY = NEW + '1 write(3</d/a>, "abcdef", 6) = 6\n1 lseek(3</d/a>, 0, SEEK_SET) = 0\n1 creat("/d/b", 0644) = 4</d/b>\n'


@pytest.mark.parametrize(
    ("calls", "left"),
    [
        ("1 copy_file_range(3</d/a>, NULL, 4</d/b>, NULL, 99, 0) = 6", b"abcdef"),
        ("1 copy_file_range(3</d/a>, [1], 4</d/b>, [2], 3, 0) = 3", b"\0\0bcd"),
        ("1 sendfile(4</d/b>, 3</d/a>, NULL, 99) = 6\n1 write(4</d/b>, \"!\", 1) = 1", b"abcdef!"),
        ("1 sendfile(4</d/b>, 3</d/a>, [3] => [5], 2) = 2\n1 sendfile(4</d/b>, 3</d/a>, NULL, 1) = 1", b"dea"),
        (
            """1 splice(3</d/a>, NULL, 6<pipe:[7]>, NULL, 4, 0) = 4
            1 splice(5<pipe:[7]>, NULL, 4</d/b>, NULL, 2, 0) = 2
            1 splice(3</d/a>, [5], 6<pipe:[7]>, NULL, 1, 0) = 1
            1 splice(5<pipe:[7]>, NULL, 4</d/b>, [4], 3, 0) = 3""",
            b"ab\0\0cdf",
        ),
        ("1 sendfile(6<pipe:[7]>, 3</d/a>, NULL, 9) = 6\n"
         "1 splice(5<pipe:[7]>, NULL, 4</d/b>, NULL, 9, 0) = 6", b"abcdef"),
        ("1 ioctl(4</d/b>, BTRFS_IOC_CLONE or FICLONE, 3</d/a>) = 0", b"abcdef"),
    ],
)  # fmt: skip
def test_a_copy_has_the_bytes_of_the_store(tmp_path: Path, calls: str, left: bytes) -> None:
    run = replay_trace(tmp_path, COPY + calls, strict=True)
    assert files_in(run) == {"/a": b"abcdef", "/b": left}
    assert skipped_in(run) == []


def test_a_copy_reads_and_writes_the_flash(tmp_path: Path) -> None:
    copied = replay_trace(tmp_path, COPY + "1 copy_file_range(3</d/a>, NULL, 4</d/b>, NULL, 99, 0) = 6")
    by_hand = '1 read(3</d/a>, "abcdef", 6) = 6\n1 write(4</d/b>, "abcdef", 6) = 6'
    assert copied.flash.image() == replay_trace(tmp_path, COPY + by_hand).flash.image()
    tally = copied.tasks["process 1"]
    assert (tally.operations["read"], tally.operations["write"], tally.host_bytes) == (1, 2, 12)


@pytest.mark.parametrize("shown", ["9<socket:[1]>", "1</dev/null>", "6<pipe:[7]>"])
def test_what_is_sent_elsewhere_is_read(tmp_path: Path, shown: str) -> None:
    run = replay_trace(tmp_path, COPY + f'1 sendfile({shown}, 3</d/a>, NULL, 99) = 4\n1 read(3</d/a>, "ef", 9) = 2')
    assert run.tasks["process 1"].operations["read"] == 2
    assert (skipped_in(run), run.differing) == ([], [])


def test_bytes_from_elsewhere_are_zeros_and_the_file_is_named(tmp_path: Path) -> None:
    run = replay_trace(tmp_path, COPY + '1 sendfile(4</d/b>, 9</etc/x>, NULL, 99) = 3\n1 write(4</d/b>, "x", 1) = 1')
    assert files_in(run)["/b"] == b"\0\0\0x"
    assert [(file.line, file.name) for file in run.differing] == [(5, "/b")]


@pytest.mark.parametrize(
    "use",
    [
        '1 write(6<pipe:[7]>, "zz", 2) = 2',
        '1 read(5<pipe:[7]>, "ab", 2) = 2',
        '1 vmsplice(6<pipe:[7]>, [{iov_base="zz", iov_len=2}], 1, 0) = 2',
    ],
)
def test_a_pipe_that_something_else_uses_is_not_trusted(tmp_path: Path, use: str) -> None:
    into = "1 splice(3</d/a>, NULL, 6<pipe:[7]>, NULL, 4, 0) = 4"
    out = "1 splice(5<pipe:[7]>, NULL, 4</d/b>, NULL, 4, 0) = 4"
    for calls in ((use, into, out), (into, use, out)):
        run = replay_trace(tmp_path, COPY + "\n".join(calls))
        assert files_in(run)["/b"] == bytes(4)
        assert [file.name for file in run.differing] == ["/b"]


def test_a_copy_of_a_file_that_may_differ_may_differ(tmp_path: Path) -> None:
    run = replay_trace(
        tmp_path,
        COPY + '1 write(3</d/a>, "ab"..., 9) = 9\n1 copy_file_range(3</d/a>, [0], 4</d/b>, NULL, 9, 0) = 9\n'
        '1 unlink("/d/a") = 0',
    )
    assert [(file.line, file.name) for file in run.differing] == [(6, "/b")]
    assert "it has bytes of /a" in run.differing[0].why


def test_a_hole_larger_than_the_flash_costs_no_memory(tmp_path: Path) -> None:
    size = 1 << 40
    run = replay_trace(
        tmp_path,
        COPY + f"1 ftruncate(3</d/a>, {size}) = 0\n1 copy_file_range(3</d/a>, [0], 4</d/b>, NULL, {size}, 0) = {size}",
    )
    assert files_in(run)["/b"] == b""
    assert "/b" in [file.name for file in run.differing]
