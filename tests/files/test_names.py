"""Names on their way to the flash. NAME_MAX counts bytes without the terminator (POSIX.1-2017 <limits.h>)."""

import errno
import os
from pathlib import PurePosixPath
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfs import NorFlash, Store, StoreConfig
from simfs.files.names import NameRule


@pytest.mark.parametrize(
    ("name", "prefix", "encoded"),
    [
        ("/log/a", "", b"/log/a"),
        ("log/a", "", b"log/a"),
        ("a", "/log/", b"/log/a"),
        ("/a", "/log/", b"/a"),
        (b"a", "/log/", b"/log/a"),
        (PurePosixPath("x/y"), "", b"x/y"),
        ("ä€", "", b"\xc3\xa4\xe2\x82\xac"),
        (b"\xff\xc3", "ä", b"\xc3\xa4\xff\xc3"),
        ("\udcff", "", b"\xff"),
        (" ", "", b" "),
    ],
)
def test_encoding(name: Any, prefix: str, encoded: bytes) -> None:
    assert NameRule(48).encode(name, prefix) == encoded


@pytest.mark.parametrize("prefix", ["", "/log/"])
def test_an_empty_name_names_nothing(prefix: str) -> None:
    with pytest.raises(FileNotFoundError) as caught:
        NameRule(48).encode("", prefix)
    assert (caught.value.errno, caught.value.filename) == (errno.ENOENT, "")


@pytest.mark.parametrize("name", ["\0", "a\0b", b"a\0", "x" * 99 + "\0"])
@pytest.mark.parametrize("overlong", ["reject", "cut"])
def test_a_nul_is_refused(name: Any, overlong: str) -> None:
    with pytest.raises(ValueError, match="NUL"):
        NameRule(48, overlong).encode(name)


@pytest.mark.parametrize("name", ["\ud800", "a\udc7f"])
def test_a_lone_surrogate_is_refused(name: str) -> None:
    with pytest.raises(UnicodeEncodeError):
        NameRule(48).encode(name)


@pytest.mark.parametrize("name", [None, 3, 1.5, ["a"]])
def test_what_is_no_name_is_a_type_error(name: Any) -> None:
    with pytest.raises(TypeError):
        NameRule(48).encode(name)


def test_the_limit_counts_the_terminator_and_bytes() -> None:
    rule = NameRule(limit_bytes=8)
    assert rule.encode("1234567") == b"1234567"
    for name, prefix in [("12345678", ""), ("567", "1234/"), ("1234567", "/"), ("ääää", "")]:
        with pytest.raises(OSError, match=r"File name too long \(8 bytes, 7 fit\)") as caught:
            rule.encode(name, prefix)
        assert (caught.value.errno, caught.value.filename) == (errno.ENAMETOOLONG, name)


def test_cutting_goes_through_a_character_and_is_reported() -> None:
    cut: list[bytes] = []
    rule = NameRule(limit_bytes=8, overlong="cut", on_cut=cut.append)
    assert rule.encode("1234567") == b"1234567"
    assert cut == []
    assert rule.encode("12345678") == b"1234567"
    assert rule.encode("123456€") == b"123456\xe2"
    assert cut == [b"12345678", "123456€".encode()]
    assert rule.decode(b"123456\xe2") == "123456\udce2"
    assert rule.encode("123456\udce2") == b"123456\xe2"


def test_folding_is_ascii_only() -> None:
    assert NameRule(48).key(b"/Log") == b"/Log"
    folding = NameRule(48, fold_case=True)
    assert folding.key(bytes(range(1, 128))) == bytes(range(1, 65)) + bytes(range(97, 123)) + bytes(range(91, 128))
    assert folding.key("ÄÖ".encode()) == "ÄÖ".encode()
    assert folding.encode("/Log") == b"/Log"


@given(st.binary(min_size=1, max_size=60).filter(lambda name: 0 not in name), st.integers(2, 64))
def test_every_name_that_can_stand_on_the_flash_comes_back(name: bytes, limit_bytes: int) -> None:
    rule = NameRule(limit_bytes, "cut")
    encoded = rule.encode(name)
    assert encoded == name[: limit_bytes - 1]
    assert rule.encode(rule.decode(encoded)) == encoded
    assert rule.decode(encoded) == encoded.decode("utf-8", "surrogateescape")
    if len(encoded) < 60:
        assert os.fsencode(rule.decode(encoded)) == encoded  # the host's own way with such names


def test_names_are_found_by_how_they_begin() -> None:
    store = Store.format(NorFlash(8), StoreConfig())
    names = ["/log/a", "/log/b", "/log", "/lof/z", "/lon", "/log/\udcff\udcff", "/log0", "/\U0010ffff"]
    for name in names:
        store.open(name, "w").close()
    assert store.names() == sorted(names)
    for prefix in ["/", "/log", "/log/", "/log/a", "/lo", "x", "/\U0010ffff", "/log/\udcff", "/log/\udcff\udcff\udcff"]:
        found = sorted(name for name in names if name.startswith(prefix))
        assert store.names(prefix) == found
        raw = os.fsencode(prefix)
        assert list(map(os.fsdecode, store._volume.names_from(raw))) == sorted(found, key=os.fsencode)
