"""Second names: the store has none, but what a program does with them is mostly a rename, and then it is replayed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.replay.recorded.traces import NEW, files_in, replay_trace, skipped_in

AB = NEW + '1 write(3</d/a>, "old", 3) = 3\n1 close(3</d/a>) = 0\n1 creat("/d/n", 0644) = 3</d/n>\n'
AB += '1 write(3</d/n>, "new", 3) = 3\n1 close(3</d/n>) = 0\n'
LINK = '1 link("/d/a", "/d/b") = 0\n'


@pytest.mark.parametrize(
    ("calls", "left"),
    [
        (LINK + '1 unlink("/d/a") = 0', {"/b": "old", "/n": "new"}),
        (LINK + '1 unlink("/d/b") = 0', {"/a": "old", "/n": "new"}),
        (LINK + '1 rename("/d/n", "/d/a") = 0', {"/a": "new", "/b": "old"}),
        (LINK + '1 rename("/d/n", "/d/b") = 0', {"/a": "old", "/b": "new"}),
        (LINK + '1 rename("/d/b", "/d/n") = 0\n1 unlink("/d/a") = 0', {"/n": "old"}),
        (LINK + '1 rename("/d/a", "/d/c") = 0\n1 unlink("/d/c") = 0', {"/b": "old", "/n": "new"}),
        (LINK + '1 rename("/d/a", "/d/b") = 0\n1 unlink("/d/b") = 0', {"/a": "old", "/n": "new"}),
        (LINK + '1 link("/d/b", "/d/c") = 0\n1 unlink("/d/a") = 0\n1 unlink("/d/b") = 0', {"/c": "old", "/n": "new"}),
        (LINK + '1 openat(AT_FDCWD</d>, "b", O_WRONLY|O_APPEND) = 3</d/b>\n1 write(3</d/b>, "er", 2) = 2\n'
         '1 unlink("/d/a") = 0\n1 write(3</d/b>, "!", 1) = 1', {"/b": "older!", "/n": "new"}),
        (LINK + '1 truncate("/d/b", 2) = 0\n1 unlink("/d/a") = 0', {"/b": "ol", "/n": "new"}),
        (LINK + '1 mkdir("/d/s", 0755) = 0\n1 rename("/d/a", "/d/s/a") = 0\n1 rename("/d/b", "/d/s/b") = 0\n'
         '1 rename("/d/s", "/d/t") = 0\n1 unlink("/d/t/a") = 0', {"/t/b": "old", "/n": "new"}),
        # outside and back
        (LINK + '1 rename("/d/a", "/x") = 0\n1 unlink("/x") = 0', {"/b": "old", "/n": "new"}),
        (LINK + '1 rename("/d/b", "/x") = 0\n1 truncate("/x", 1) = 0', {"/a": "o", "/n": "new"}),
        ('1 link("/d/a", "/x") = 0\n1 openat(AT_FDCWD</>, "x", O_WRONLY|O_TRUNC) = 5</x>\n'
         '1 write(5</x>, "by x", 4) = 4', {"/a": "by x", "/n": "new"}),
        ('1 link("/d/a", "/x") = 0\n1 rename("/x", "/y") = 0\n1 rename("/d/a", "/d/c") = 0\n'
         '1 truncate("/y", 1) = 0', {"/c": "o", "/n": "new"}),
        ('1 link("/d/a", "/x") = 0\n1 unlink("/x") = 0\n1 openat(AT_FDCWD</>, "x", O_WRONLY|O_CREAT) = 5</x>\n'
         '1 write(5</x>, "other", 5) = 5', {"/a": "old", "/n": "new"}),
        ('1 link("/d/a", "/x") = 0\n1 rename("/x", "/d/b") = 0\n1 unlink("/d/a") = 0', {"/b": "old", "/n": "new"}),
    ],
)  # fmt: skip
def test_second_names_that_go_again(tmp_path: Path, calls: str, left: dict[str, str]) -> None:
    run = replay_trace(tmp_path, AB + calls, strict=True)
    assert files_in(run) == {name: text.encode() for name, text in left.items()}
    assert (skipped_in(run), run.differing, run.refusals) == ([], [], [])


def test_link_and_unlink_are_a_rename(tmp_path: Path) -> None:
    linked = replay_trace(tmp_path, AB + LINK + '1 unlink("/d/a") = 0')
    assert linked.flash.image() == replay_trace(tmp_path, AB + '1 rename("/d/a", "/d/b") = 0').flash.image()
    assert linked.tasks["process 1"].operations["rename"] == 1


def test_a_second_name_that_stays_is_named(tmp_path: Path) -> None:
    run = replay_trace(tmp_path, AB + LINK)
    assert files_in(run) == {"/a": b"old", "/n": b"new"}
    assert skipped_in(run) == [(7, "link of /b: the store has no links", 1)]
    assert [tuple(file) for file in run.differing] == [
        (7, "/b", "it is a second name of /a, and the store has no links")
    ]


def test_a_refused_link_was_not_there_before(tmp_path: Path) -> None:
    run = replay_trace(
        tmp_path,
        AB + '1 link("/etc/x", "/d/b") = 0\n1 openat(AT_FDCWD</d>, "b", O_RDONLY) = 3</d/b>\n1 unlink("/d/b") = 0',
    )
    why = "it is a second name of a file outside the directory, and the store has no links"
    assert skipped_in(run) == [
        (7, "link of /b: the store has no links", 1),
        (8, f"open on /b: {why}", 1),
        (9, f"remove of /b: {why}", 1),
    ]
    assert run.differing == []
