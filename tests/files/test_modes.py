"""Open modes: the table of ISO C11 7.21.5.3 (and POSIX.1-2017 fopen), spelled out here, tried on every kind of file.

The same behaviour is asked of host files opened without a buffer, so the host confirms the table before it judges us.
"""

import errno
from pathlib import Path

import pytest

from simfs.files.modes import MODES, BadMode, parse_mode
from tests.support.sides import KINDS, Side, make_side

# mode: must exist, truncates, creates, reads, writes, appends; the equal spellings; what Python's open() calls it
ISO_C = {
    "r": ((1, 0, 0, 1, 0, 0), "r rb", "rb"),
    "w": ((0, 1, 1, 0, 1, 0), "w wb", "wb"),
    "a": ((0, 0, 1, 0, 1, 1), "a ab", "ab"),
    "r+": ((1, 0, 0, 1, 1, 0), "r+ r+b rb+", "r+b"),
    "w+": ((0, 1, 1, 1, 1, 0), "w+ w+b wb+", "w+b"),
    "a+": ((0, 0, 1, 1, 1, 1), "a+ a+b ab+", "a+b"),
    "wx": ((0, 0, 1, 0, 1, 0), "wx wbx x xb", "xb"),
    "w+x": ((0, 0, 1, 1, 1, 0), "w+x w+bx wb+x x+ x+b xb+", "x+b"),
}
SPELLINGS = {spelling: base for base, (_, spellings, _) in ISO_C.items() for spelling in spellings.split()}
BAD = ["", "b", "+", "q", "rt", "U", "rU", "rw", "r++", "rbb", "br", "b+r", "r ", "r\0", "R"]
BAD += ["xw", "rx", "ax", "a+x", "wxb", "xx", "wx+"]


def test_the_table_holds_every_spelling_and_no_other() -> None:
    assert set(MODES) == set(SPELLINGS)


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_meaning_of_each_spelling(spelling: str) -> None:
    mode = parse_mode(spelling)
    flags = (mode.must_exist, mode.truncates, mode.creates, mode.reads, mode.writes, mode.appends)
    assert flags == ISO_C[SPELLINGS[spelling]][0]
    assert mode.exclusive == ("x" in spelling)
    assert parse_mode(mode.text) is MODES[mode.text]
    assert parse_mode(mode.text) == mode


@pytest.mark.parametrize("text", BAD)
def test_a_bad_mode_is_one_error_that_names_it(text: str) -> None:
    with pytest.raises(BadMode) as caught:
        parse_mode(text)
    assert isinstance(caught.value, OSError)
    assert isinstance(caught.value, ValueError)
    assert caught.value.errno == errno.EINVAL
    assert repr(text) in str(caught.value)


@pytest.fixture(params=KINDS)
def side(request: pytest.FixtureRequest, tmp_path: Path) -> Side:
    return make_side(request.param, tmp_path)


def opened(side: Side, spelling: str, name: str):  # type: ignore[no-untyped-def]
    return side.open(name, ISO_C[SPELLINGS[spelling]][2] if side.kind == "host" else spelling)


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_a_missing_file(side: Side, spelling: str) -> None:
    must_exist = ISO_C[SPELLINGS[spelling]][0][0]
    if must_exist:
        with pytest.raises(FileNotFoundError) as caught:
            opened(side, spelling, "new")
        assert caught.value.errno == errno.ENOENT
        assert not side.exists("new")
    else:
        opened(side, spelling, "new").close()
        assert side.read("new") == b""


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_a_file_that_is_there(side: Side, spelling: str) -> None:
    _, truncates, _, reads, writes, appends = ISO_C[SPELLINGS[spelling]][0]
    side.put("old", b"12345678")
    if "x" in spelling:
        with pytest.raises(FileExistsError) as caught:
            opened(side, spelling, "old")
        assert caught.value.errno == errno.EEXIST
        assert side.read("old") == b"12345678"
        return
    with opened(side, spelling, "old") as file:
        assert (file.readable(), file.writable(), file.seekable()) == (reads, writes, True)
        assert file.tell() == (8 if appends else 0)
        if writes:
            file.seek(2)
            assert file.write(b"ab") == 2
            assert file.tell() == (10 if appends else 4)
        else:
            with pytest.raises(OSError, match="not open for writing"):
                file.write(b"ab")
        if reads:
            file.seek(0)
            seen = file.read()
        else:
            with pytest.raises(OSError, match="not open for reading"):
                file.read(1)
    left = b"" if truncates else b"12345678"
    if writes:
        left = left + b"ab" if appends else left[:2].ljust(2, b"\0") + b"ab" + left[4:]
    assert side.read("old") == left
    if reads:
        assert seen == left
