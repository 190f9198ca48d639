"""Extraction: nothing but new files in one new or empty directory, whatever the names in the image are."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.bridges.images import extract as images_extract
from simfs.bridges.images.explained import Explained, explain
from simfs.bridges.images.extract import BadDestination, Extraction, host_name
from simfs.bridges.images.source import Image, find_stores


def store_of(contents: dict[str, bytes]) -> Store:
    store = Store.format(NorFlash(24, 4096, 256), StoreConfig(name_bytes=256))
    for name, data in contents.items():
        with store.open(name, "w") as file:
            file.write(data)
    return store


def image_of(data: bytes) -> Image:
    return Image("image", data, find_stores(data)[0].settings)


def extract(store: Store, directory: Path) -> Extraction:
    """Of a sound store."""
    return images_extract.extract(Explained(image_of(store.flash.image()), store, "", (), ()), directory)


TAKEN = {
    "/a": "a", "a": "a", "/log/2031-04-05.csv": "log+2031-04-05.csv", "a b (1)=2,@x.y": "a b (1)=2,@x.y",
    "_x": "_x", "/a/b/c": "a+b+c", "/contents": "contents", "/con1": "con1", "/a/nul_": "a+nul_", "9": "9",
}  # fmt: skip
REFUSED = [
    "", "/", "//a", "a//b", "a/", ".", "..", "/..", "../a", "a/../b", "/../../etc/passwd", "...", "a/.", "a/./b", ".a",
    "a/.b", "-rf", "a/-b", " a", "a ", "a.", "a./b", "C:\\a", "C:a", "c:", "\\\\host\\share", "a\\b", "a:b", "~", "~a",
    "a\nb", "a\n", "\n", "a\tb", "a\0b", "\x1b[2J", "a\x7f", "\x9b", "a\u202eb", "ä", "\uff0e\uff0e", "\u2024\u2024/a",
    "a\uff0fb", "con", "CON", "nul.txt", "a/AUX", "com1", "LPT9.log", "a+b", "+", "$a", "a$b", "`id`", "a;b", "a|b",
    "a*", "a?", "<a>", '"a"', "'a'", "a%b", "a&b", "#a", "a!", "\udcff", "a" * 201, "a/" * 100 + "b",
    "\u212a", "\u0660",
]  # fmt: skip


@pytest.mark.parametrize("name", TAKEN)
def test_plain_names_are_taken(name: str) -> None:
    assert host_name(name) == TAKEN[name]


@pytest.mark.parametrize("name", REFUSED)
def test_names_that_may_mean_something_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        host_name(name)


def test_files_come_out_byte_for_byte(tmp_path: Path) -> None:
    contents = {"/a": b"1" * 5000, "/log/b": bytes(range(256)), "/log/empty": b""}
    done = extract(store_of(contents), tmp_path / "new")
    assert done.written == [("/a", "a"), ("/log/b", "log+b"), ("/log/empty", "log+empty")]
    assert done.refused == []
    assert {path.name: path.read_bytes() for path in (tmp_path / "new").iterdir()} == {
        "a": b"1" * 5000, "log+b": bytes(range(256)), "log+empty": b"",
    }  # fmt: skip


def test_hostile_names_are_listed_and_the_rest_comes_out(tmp_path: Path) -> None:
    names = [name for name in REFUSED if name and "\0" not in name]
    done = extract(store_of({**dict.fromkeys(names, b"x"), "/good": b"y"}), tmp_path / "out")
    assert done.written == [("/good", "good")]
    assert sorted(name for name, _ in done.refused) == sorted(names)
    assert [path.name for path in tmp_path.rglob("*")] == ["out", "good"]


def test_two_names_that_come_to_the_same_never_write_over_each_other(tmp_path: Path) -> None:
    done = extract(store_of({"/a": b"first", "a": b"second"}), tmp_path / "out")
    assert done.written == [("/a", "a")]
    assert [name for name, _ in done.refused] == ["a"]
    assert (tmp_path / "out" / "a").read_bytes() == b"first"


@pytest.mark.parametrize("kind", ["file", "not empty", "link to a directory", "broken link"])
def test_a_destination_that_is_not_new_or_empty_is_refused(tmp_path: Path, kind: str) -> None:
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
        extract(store_of({"/a": b"new"}), target)
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
    assert done.written == [("/a", "a")]
    assert outside.read_bytes() == b"kept"


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
