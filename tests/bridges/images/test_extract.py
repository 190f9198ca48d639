"""Extraction: nothing but new files in one new or empty directory, whatever the names in the image are."""

from __future__ import annotations

import errno
import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.bridges.images import extract as images_extract
from simfs.bridges.images.destination import Destination
from simfs.bridges.images.explained import Explained, explain
from simfs.bridges.images.extract import BadDestination, EndedEarly, Extraction
from simfs.bridges.images.source import Image, find_stores
from tests.bridges.images.test_host_names import HOSTILE


def store_of(contents: dict[str, bytes]) -> Store:
    store = Store.format(NorFlash(24, 4096, 256), StoreConfig(name_bytes=256))
    for name, data in contents.items():
        with store.open(name, "w") as file:
            file.write(data)
    return store


def image_of(data: bytes) -> Image:
    return Image("image", data, find_stores(data)[0].settings)


def extract(store: Store, directory: Path | str) -> Extraction:
    """Of a sound store."""
    return images_extract.extract(Explained(image_of(store.flash.image()), store, "", (), ()), directory)


def test_files_come_out_byte_for_byte(tmp_path: Path) -> None:
    contents = {"/a": b"1" * 5000, "/log/b": bytes(range(256)), "/log/empty": b""}
    done = extract(store_of(contents), tmp_path / "new")
    assert done.written == [("/a", "a"), ("/log/b", "log+b"), ("/log/empty", "log+empty")]
    assert done.refused == []
    assert {path.name: path.read_bytes() for path in (tmp_path / "new").iterdir()} == {
        "a": b"1" * 5000, "log+b": bytes(range(256)), "log+empty": b"",
    }  # fmt: skip


def test_every_name_comes_out_under_a_spelling_that_the_list_has(tmp_path: Path) -> None:
    names = [name if name.startswith("/") else "/" + name for name in HOSTILE if "\0" not in name]
    contents = {name: bytes([number]) * number for number, name in enumerate(sorted({*names, "/good"}))}
    done = extract(store_of(contents), tmp_path / "out")
    assert done.refused == []
    assert [name for name, _ in done.written] == sorted(contents)
    assert dict(done.written)["/good"] == "good"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert {name: (tmp_path / "out" / on_host).read_bytes() for name, on_host in done.written} == contents
    assert len(list((tmp_path / "out").rglob("*"))) == len(contents)


def test_the_slash_that_not_all_names_begin_with_is_spelled(tmp_path: Path) -> None:
    done = extract(store_of({"/a": b"first", "a": b"second"}), tmp_path / "out")
    assert done.written == [("/a", "+a"), ("a", "a")]
    assert (tmp_path / "out" / "a").read_bytes() == b"second"


def test_a_name_that_the_host_takes_for_another_gets_the_other_spelling(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where case means nothing."""
    create, there = Destination.create, set[str]()

    def folding(target: Destination, name: str, data: bytes) -> None:
        if name.casefold() in there:
            raise FileExistsError(errno.EEXIST, "File exists", name)
        create(target, name, data)
        there.add(name.casefold())

    monkeypatch.setattr(Destination, "create", folding)
    done = extract(store_of({"/A": b"1", "/a": b"2", "/1/B": b"3", "/1/b": b"4", "/2": b"5"}), tmp_path / "out")
    assert done.written == [("/1/B", "1+B"), ("/1/b", "1+%62"), ("/2", "2"), ("/A", "A"), ("/a", "%61")]


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (OSError(errno.EILSEQ, "Invalid byte sequence"), 'does not take its name (Invalid byte sequence), "%C3%A4"'),
        (UnicodeEncodeError("ascii", "ä", 0, 1, "not in range"), "has no such letters"),
    ],
)
def test_a_name_that_the_host_can_not_hold_is_spelled_or_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, why: str
) -> None:
    create = Destination.create

    def ascii_only(target: Destination, name: str, data: bytes) -> None:
        if not name.isascii() or all_of_them:
            raise error
        create(target, name, data)

    monkeypatch.setattr(Destination, "create", ascii_only)
    store, all_of_them = store_of({"/ä": b"1"}), False
    assert extract(store, tmp_path / "out").written == [("/ä", "%C3%A4")]
    all_of_them = True
    assert extract(store, tmp_path / "none").refused == [("/ä", f"the host {why}")]


@pytest.mark.parametrize("behind", ["", "/"])
@pytest.mark.parametrize("kind", ["file", "not empty", "link to a directory", "broken link"])
def test_a_destination_that_is_not_new_or_empty_is_refused(tmp_path: Path, kind: str, behind: str) -> None:
    target, elsewhere = tmp_path / "out", tmp_path / "elsewhere"
    elsewhere.mkdir()
    if kind == "file":
        target.write_bytes(b"kept")
    elif kind == "not empty":
        target.mkdir()
        (target / "a").write_bytes(b"kept")
    else:
        target.symlink_to(elsewhere if kind == "link to a directory" else tmp_path / "nothing")
    with pytest.raises(BadDestination):
        extract(store_of({"/a": b"new"}), f"{target}{behind}")
    assert list(elsewhere.iterdir()) == []
    assert not (tmp_path / "nothing").exists()
    assert kind != "file" or target.read_bytes() == b"kept"
    assert kind != "not empty" or (target / "a").read_bytes() == b"kept"


def test_an_empty_directory_will_do(tmp_path: Path) -> None:
    assert extract(store_of({"/a": b"1"}), tmp_path).written == [("/a", "a")]


def test_a_link_that_appears_in_the_directory_is_not_followed(tmp_path: Path) -> None:
    store, outside = store_of({"/a": b"new", "/b": b"new"}), tmp_path / "outside"
    outside.write_bytes(b"kept")
    target = tmp_path / "out"
    opened = store.open

    def plant(name: str, mode: str = "r") -> object:
        if not (target / "b").is_symlink():
            (target / "b").symlink_to(outside)
        return opened(name, mode)

    store.open = plant  # type: ignore[method-assign, assignment]
    done = extract(store, target)
    assert done.written == [("/a", "a"), ("/b", "%62")]
    assert (target / "b").is_symlink()
    assert outside.read_bytes() == b"kept"


def test_a_directory_that_is_moved_away_meanwhile_is_still_the_one_written_to(tmp_path: Path) -> None:
    store, elsewhere, target = store_of({"/a": b"1", "/b": b"2"}), tmp_path / "elsewhere", tmp_path / "out"
    elsewhere.mkdir()
    opened = store.open

    def swap(name: str, mode: str = "r") -> object:
        if name == "/b":
            target.rename(tmp_path / "moved")
            target.symlink_to(elsewhere)
        return opened(name, mode)

    store.open = swap  # type: ignore[method-assign, assignment]
    extract(store, target)
    assert list(elsewhere.iterdir()) == []
    assert sorted(path.name for path in (tmp_path / "moved").iterdir()) == ["a", "b"]


@contextmanager
def small_files_only() -> Iterator[None]:
    """The host takes no file of more than 1,000 bytes."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


TOO_MUCH = {"/a": b"1", "/b": b"2", "/c": bytes(3000), "/d": b"4"}


@pytest.mark.parametrize("is_new", [True, False])
def test_what_the_host_ends_early_is_taken_back(tmp_path: Path, is_new: bool) -> None:
    store, target = store_of(TOO_MUCH), tmp_path / "out"
    if not is_new:
        target.mkdir()
    with pytest.raises(EndedEarly) as ended, small_files_only():
        extract(store, target)
    assert (ended.value.errno, ended.value.left) == (errno.EFBIG, [])
    assert target.exists() == (not is_new)
    assert is_new or list(target.iterdir()) == []


def test_what_the_user_ends_early_is_taken_back(tmp_path: Path) -> None:
    store, target = store_of({"/a": b"1", "/b": b"2"}), tmp_path / "out"
    opened, seen = store.open, []

    def stop(name: str, mode: str = "r") -> object:
        seen.extend(path.name for path in target.iterdir())
        if name == "/b":
            raise KeyboardInterrupt
        return opened(name, mode)

    store.open = stop  # type: ignore[method-assign, assignment]
    with pytest.raises(KeyboardInterrupt):
        extract(store, target)
    assert seen == ["a"]
    assert not target.exists()


def test_what_can_not_be_taken_back_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    unlink = os.unlink

    def stuck(path: str, *, dir_fd: int | None = None) -> None:
        if path == "b":
            raise OSError(errno.EIO, "Input/output error", path)
        unlink(path, dir_fd=dir_fd)

    store = store_of(TOO_MUCH)
    monkeypatch.setattr(os, "unlink", stuck)
    with pytest.raises(EndedEarly) as ended, small_files_only():
        extract(store, tmp_path / "out")
    monkeypatch.undo()
    assert ended.value.left == ["b"]
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["b"]


def test_what_others_put_there_meanwhile_stays(tmp_path: Path) -> None:
    store, target = store_of(TOO_MUCH), tmp_path / "out"
    opened = store.open

    def plant(name: str, mode: str = "r") -> object:
        if name == "/b":
            (target / "b").write_bytes(b"kept")
            (target / "theirs").write_bytes(b"kept")
        return opened(name, mode)

    store.open = plant  # type: ignore[method-assign, assignment]
    with pytest.raises(EndedEarly), small_files_only():
        extract(store, target)
    assert {path.name: path.read_bytes() for path in target.iterdir()} == {"b": b"kept", "theirs": b"kept"}


def test_holes_do_not_fill_the_host(tmp_path: Path) -> None:
    store = store_of({"/a": b"1"})
    for name in ("/b", "/c", "/d"):
        with store.open(name, "w") as file:
            file.truncate(60_000)
    store.truncate("/a", 4_000_000_000)
    done = extract(store, tmp_path / "out")
    assert done.written == [("/b", "b")]
    assert [name for name, _ in done.refused] == ["/a", "/c", "/d"]
    assert sum(path.stat().st_size for path in (tmp_path / "out").iterdir()) <= store.flash.geometry.size_bytes


def test_a_file_that_can_not_be_read_leaves_nothing_half_written(tmp_path: Path) -> None:
    store = store_of({"/a": b"1" * 600, "/b": b"2" * 9000})
    image = bytearray(store.flash.image())
    image[image.index(b"1" * 80)] ^= 0x10
    done = images_extract.extract(explain(image_of(bytes(image))), tmp_path / "out")
    assert done.written == [("/b", "b")]
    assert [name for name, _ in done.refused] == ["/a"]
    assert "256 bytes are lost: 0 to 256" in done.refused[0][1]
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["b"]
