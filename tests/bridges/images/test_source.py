"""Reading an image: the store's own bytes, dumps of a chip, Intel HEX and S-records; and all that is none of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.bridges.images.finder import find_stores, statements_in
from simfs.bridges.images.source import BadImage, read_image
from simfs.store.format.codec import MAGIC, U32, VERSION, crc32

MIB = 1 << 20


def store_bytes(block_count: int = 8, seed: int = 0, **config: Any) -> bytes:
    flash = NorFlash(block_count, 1024, 128, program_unit_bytes=4)
    store = Store.format(flash, StoreConfig(buffer_bytes=100, name_bytes=24, **config))
    random = Random(seed)
    for number in range(300):
        name, mode, size = ("/f2", "a", 20) if number % 7 == 0 else (f"/f{number % 2}", "w", 60)
        with store.open(name, mode) as file:
            file.write(random.randbytes(size))
    return flash.image()


STORE = store_bytes()


def write(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    return str(path)


def test_the_stores_own_bytes_tell_their_geometry(tmp_path: Path) -> None:
    path = write(tmp_path / "image", STORE)
    image = read_image(path)
    assert (image.data, image.address, image.missing) == (STORE, 0, [])
    geometry = image.flash().geometry
    assert (geometry.block_count, geometry.block_bytes, geometry.page_bytes, geometry.program_unit_bytes) == (
        8, 1024, 128, 4,
    )  # fmt: skip
    assert image.mount().names() == ["/f0", "/f1", "/f2"]
    assert Path(path).read_bytes() == STORE


@pytest.mark.parametrize("log_heads", [1, 2])
@pytest.mark.parametrize("before", [0, 1024, 3 * MIB])
def test_a_store_in_a_dump_is_found(tmp_path: Path, before: int, log_heads: int) -> None:
    stored = store_bytes(log_heads=log_heads)
    dump = Random(1).randbytes(before) + stored + b"\xff" * 4096
    image = read_image(write(tmp_path / "dump", dump))
    assert (image.address, image.data) == (before, stored)
    assert {found.said.head for found in statements_in(stored)} == set(range(log_heads))
    assert read_image(str(tmp_path / "dump"), before).data == stored
    with pytest.raises(BadImage, match=f"no store begins at 0x10; found is one that begins at {before:#x} "):
        read_image(str(tmp_path / "dump"), 0x10)


def test_of_several_stores_one_must_be_chosen(tmp_path: Path) -> None:
    other = store_bytes(16, 2)
    path = write(tmp_path / "dump", STORE + bytes(2048) + other)
    with pytest.raises(BadImage) as caught:
        read_image(path)
    assert "more than one store" in str(caught.value)
    assert "0x0 (8,192 bytes" in str(caught.value)
    assert "0x2800 (16,384 bytes" in str(caught.value)
    assert read_image(path, 0x2800).data == other
    assert read_image(path, 0).data == STORE


@pytest.mark.parametrize("packing", ["byte", "page"])
@pytest.mark.parametrize("unit_bytes", [1, 2, 4, 8, 16])
def test_one_statement_that_is_left_tells_where_the_store_begins(unit_bytes: int, packing: str) -> None:
    flash = NorFlash(10, 4096, 256, program_unit_bytes=unit_bytes)
    store = Store.format(flash, StoreConfig(buffer_bytes=100, name_bytes=24, packing=packing))
    for number in range(240):
        with store.open("/f", "a" if number % 10 else "w") as file:
            file.write(bytes(90))
    image = flash.image()
    (whole,) = find_stores(bytes(0x30) + image)
    assert (whole.start, whole.blocks) == (0x30, len({found.block for found in statements_in(image)}))
    for block in {found.block for found in statements_in(image)}:
        alone = b"\xff" * 4096 * block + image[4096 * block : 4096 * (block + 1)]
        (place,) = find_stores(bytes(0x30) + alone)
        assert (place.start, place.blocks, place.settings) == (0x30, 1, whole.settings)


def test_a_later_statement_in_a_block_begins_no_store() -> None:
    """Every mount after a power cut may leave one, on any page."""
    flash = NorFlash(8, 1024, 128)
    store = Store.format(flash, StoreConfig(buffer_bytes=100, name_bytes=24))
    for _ in range(3):
        with store.open("/f", "a") as file:
            file.write(bytes(40))
        store = Store.mount(flash)
    assert len(list(statements_in(flash.image()))) > 1
    assert [(place.start, place.blocks) for place in find_stores(flash.image())] == [(0, 1)]


def test_a_block_whose_first_page_is_gone_begins_no_store_either() -> None:
    flash = NorFlash(8, 1024, 128)
    store = Store.format(flash, StoreConfig(buffer_bytes=100, name_bytes=24))
    for _ in range(30):
        with store.open("/f", "a") as file:
            file.write(bytes(40))
        store = Store.mount(flash)
    image = flash.image()
    later = next(found for found in statements_in(image) if found.at % 1024)
    hurt = image[: later.block * 1024] + bytes(128) + image[later.block * 1024 + 128 :]
    assert [(place.start, place.blocks) for place in find_stores(hurt)] == [(0, find_stores(image)[0].blocks)]


def test_a_store_made_anew_on_fewer_blocks_is_the_one_that_is_read() -> None:
    flash = NorFlash(8, 1024, 128)
    Store.format(flash, StoreConfig(buffer_bytes=100, name_bytes=24))
    smaller = NorFlash.from_image(flash.image()[: 6 * 1024], 1024, 128)
    Store.format(smaller, StoreConfig(buffer_bytes=64, name_bytes=24))
    found = find_stores(smaller.image() + flash.image()[6 * 1024 :])
    assert [place.settings.block_count for place in found] == [6]


@pytest.mark.parametrize("cut", [1, 1000, 5000])
def test_a_cut_file_is_refused_with_what_is_missing(tmp_path: Path, cut: int) -> None:
    path = write(tmp_path / "cut", STORE[:-cut])
    with pytest.raises(
        BadImage,
        match=f"it ends {cut:,} bytes before the store does, and that has 8,192 bytes.*image extract --damaged",
    ):
        read_image(path)
    image = read_image(path, whole=False)
    assert image.missing == [(8192 - cut, 8192)]
    assert image.data == STORE[:-cut] + b"\xff" * cut


def test_a_dump_that_begins_inside_the_store(tmp_path: Path) -> None:
    path = write(tmp_path / "cut", STORE[2048:])
    with pytest.raises(BadImage, match="it begins 2,048 bytes after the store does"):
        read_image(path)
    image = read_image(path, whole=False)
    assert image.missing == [(0, 2048)]
    assert image.data == b"\xff" * 2048 + STORE[2048:]


def other_version() -> bytes:
    """How blocks of earlier versions began."""
    body = MAGIC.to_bytes(2, "little") + bytes((3, 0)) + bytes(8)
    return body + U32.pack(crc32(body))


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "it is empty; give the dump of a flash"),
        (b"\xff" * 8192, "all 8,192 bytes of it are blank"),
        (b"just some text", "it holds no store"),
        (bytes(8192), "it holds no store"),
        (bytes(64) + other_version(), "the store at 0x40 has format version 3"),
        (STORE[:100], "it holds no store: no sound statement is in it"),
    ],
)
def test_something_that_is_no_store_is_refused_in_one_line(tmp_path: Path, data: bytes, why: str) -> None:
    assert VERSION != 3
    with pytest.raises(BadImage) as caught:
        read_image(write(tmp_path / "file", data))
    assert why in str(caught.value)
    assert "\n" not in str(caught.value)


def records(kind: str, data: bytes, address: int) -> str:
    bincopy = pytest.importorskip("bincopy", reason="bincopy is not installed: pip install 'simfs[images]'")
    file = bincopy.BinFile()
    at = 0
    for piece in data.split(b"\xff" * 64):  # what is blank is left out, as tools do
        if piece:
            file.add_binary(piece, address=address + at)
        at += len(piece) + 64
    return str(file.as_ihex() if kind == "hex" else file.as_srec())


@pytest.mark.parametrize("kind", ["hex", "srec"])
def test_records_are_read_at_their_addresses(tmp_path: Path, kind: str) -> None:
    path = write(tmp_path / "file", records(kind, bytes(512) + STORE, 0x08000000).encode())
    image = read_image(path)
    assert (image.address, image.missing) == (0x08000200, [])
    assert image.data == STORE
    assert read_image(path, 0x08000200).data == STORE


@pytest.mark.parametrize("kind", ["hex", "srec"])
def test_damaged_records_are_refused(tmp_path: Path, kind: str) -> None:
    text = records(kind, STORE, 0)
    lines = text.split("\n")
    at = len(lines) // 2
    lines[at] = lines[at][:-3] + ("0" if lines[at][-3] != "0" else "1") + lines[at][-2:]
    with pytest.raises(BadImage, match="a line can't be read"):
        read_image(write(tmp_path / "flipped", "\n".join(lines).encode()))
    with pytest.raises(BadImage, match="no end line"):
        read_image(write(tmp_path / "cut", "\n".join(text.split("\n")[:at]).encode()))
    with pytest.raises(BadImage, match="is not text"):
        read_image(write(tmp_path / "binary", text.encode()[:200] + b"\x80" + text.encode()[200:]))


def test_records_that_reach_too_far_are_refused(tmp_path: Path) -> None:
    text = records("srec", b"a" * 16, 0).split("\n")[:-2] + records("srec", b"a" * 16, 0xFFFFFF00).split("\n")
    with pytest.raises(BadImage, match="further than any NOR flash"):
        read_image(write(tmp_path / "far", "\n".join(text).encode()))


def test_without_the_library_one_line_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "bincopy", None)
    with pytest.raises(BadImage) as caught:
        read_image(write(tmp_path / "file", b":020000040800F2\n:00000001FF\n"))
    assert "pip install 'simfs[images]'" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_mount_that_fails_says_why(tmp_path: Path) -> None:
    image = read_image(write(tmp_path / "image", STORE))
    with pytest.raises(CorruptStore, match="no store on this flash"):
        replace(image, data=bytes(len(STORE))).mount()
