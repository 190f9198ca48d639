"""The small grammar of strace: strings with escapes, descriptors with paths, lists of buffers."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.strace.text import DESCRIPTOR, STRING, path_text, unescape, vector_data

LETTERS = {9: "\\t", 10: "\\n", 11: "\\v", 12: "\\f", 13: "\\r", 34: '\\"', 92: "\\\\"}


def as_octal(data: bytes) -> str:
    """As strace writes without -x: the shortest octal escape that the next byte can't lengthen."""
    text = ""
    for at, byte in enumerate(data):
        digit_follows = data[at + 1 : at + 2].isdigit()
        plain = chr(byte) if 32 <= byte < 127 else f"\\{byte:03o}" if digit_follows else f"\\{byte:o}"
        text += LETTERS.get(byte, plain)
    return text


def as_hex(data: bytes) -> str:
    return "".join(f"\\x{byte:02x}" for byte in data)


def as_hex_where_needed(data: bytes) -> str:
    """As strace writes with -x: the whole string in hex as soon as one byte can't be printed."""
    return as_octal(data) if all(32 <= byte < 127 or 9 <= byte <= 13 for byte in data) else as_hex(data)


@pytest.mark.parametrize("write", [as_octal, as_hex, as_hex_where_needed])
@given(st.binary(max_size=300))
def test_what_strace_wrote_is_read_back(write, data):
    assert unescape(write(data)) == data
    assert re.fullmatch(STRING, f'"{write(data)}"')[1] == write(data)


@pytest.mark.parametrize(
    ("text", "data"),
    [
        (r"plain", b"plain"),
        (r"\0", b"\0"),
        (r"\0001", b"\x001"),
        (r"\12\11", b"\n\t"),
        (r"\377\x00a", b"\xff\0a"),
        (r"a\"b\\c\n", b'a"b\\c\n'),
        (r"s\74u\76", b"s<u>"),
        ("\xe9", b"\xe9"),
    ],
)
def test_escapes(text, data):
    assert unescape(text) == data


@pytest.mark.parametrize("text", ["\\", "\\x4", "\\xzz", "\\400", "\\q", "\\x41\\x  ", "\\x 1\\x41", "\u20ac"])
def test_no_escape_of_a_c_string(text):
    with pytest.raises(Unreadable, match=r"escape|bytes"):
        unescape(text)


def test_a_path_is_utf_8_and_keeps_other_bytes():
    assert path_text(r"/d\xc3\xa9j\303\240") == "/d\u00e9j\u00e0"
    assert path_text(r"\xff").encode("utf-8", "surrogateescape") == b"\xff"
    with pytest.raises(Unreadable, match="NUL"):
        path_text(r"a\0b")


@pytest.mark.parametrize(
    ("text", "number", "path"),
    [
        ("3", "3", None),
        ("3</data/a>", "3", "/data/a"),
        (r"3</data/s\74u\76b\"q/a) = 5>", "3", r"/data/s\74u\76b\"q/a) = 5"),
        ("12</data/a>(deleted)", "12", "/data/a"),
        ("5<pipe:[8279]>", "5", "pipe:[8279]"),
    ],
)
def test_descriptors(text, number, path):
    assert re.fullmatch(DESCRIPTOR, text).groups() == (number, path)


@pytest.mark.parametrize(
    ("text", "data", "cut"),
    [
        ('{iov_base="abc", iov_len=3}, {iov_base="\\x64\\x00", iov_len=9}', b"abcd\0", False),
        ('{iov_base="], [{iov_base=\\"", iov_len=13}', b'], [{iov_base="', False),
        ("", b"", False),
        ("{iov_base=NULL, iov_len=0}", b"", False),
        ('{iov_base="ab"..., iov_len=300}, {iov_base="c", iov_len=1}', b"ab", True),
        ('{iov_base="ab", iov_len=2}, ...', b"ab", True),
    ],
)
def test_lists_of_buffers(text, data, cut):
    assert vector_data(text) == (data, cut)


def test_a_list_of_buffers_that_is_not_one():
    with pytest.raises(Unreadable, match="iov_base"):
        vector_data('{iov_base="abc" iov_len=3}')
