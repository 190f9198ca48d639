"""A file of a store is a true raw file: what the standard library builds on one works on it as on the host's.

Each job runs on an unbuffered host file, on the model and on a store; what it returns and the bytes it leaves agree.
"""

import csv
import gc
import gzip
import io
import json
import pickle
import struct
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from tests.support.sides import KINDS, make_side

Job = Callable[[Any], Any]


def buffered_reader(side: Any) -> Any:
    side.put("f", bytes(range(256)) * 9)
    with io.BufferedReader(side.open("f", "r"), 100) as file:
        seen = [file.peek(3)[:3], file.read(150), file.read1(7), file.seek(-5, 1), file.tell(), file.readline()]
        return seen, file.read()


def buffered_writer(side: Any) -> Any:
    with io.BufferedWriter(side.open("f", "w"), 64) as file:
        for number in range(200):
            file.write(b"%d," % number)
            if number % 50 == 0:
                file.seek(number)
        return file.truncate(), file.tell()


def buffered_appender(side: Any) -> Any:
    side.put("f", b"before ")
    with io.BufferedWriter(side.open("f", "a")) as file:
        tells = [file.tell()]
        file.write(b"one ")
        file.seek(0)
        file.write(b"two")
        file.flush()
        return tells, file.tell()


def buffered_random(side: Any) -> Any:
    random = Random(1)
    with io.BufferedRandom(side.open("f", "w+"), 50) as file:
        seen: list[Any] = []
        for _ in range(300):
            file.seek(random.randrange(1000))
            seen.append(file.read(random.randrange(30)) if random.random() < 0.5 else file.write(random.randbytes(20)))
        return seen, file.seek(0, 2)


def text(side: Any) -> Any:
    with io.TextIOWrapper(io.BufferedRandom(side.open("f", "w+")), "utf-8", newline="") as file:
        file.write("Tränen\r\nkönnen\n漢字 end")
        mark = file.seek(0) or (file.readline() and file.tell())
        rest = file.read()
        file.seek(mark)
        return file.readline(), rest, file.readlines()


def text_appended(side: Any) -> Any:
    for number in range(3):
        with io.TextIOWrapper(io.BufferedWriter(side.open("f", "a")), "utf-16") as file:
            file.write(f"line {number}\n")  # a byte-order mark only where tell() is 0
    return None


def lines(side: Any) -> Any:
    with side.open("f", "w") as file:
        file.writelines([b"one\n", b"two\n", b"three"])
    with side.open("f", "r") as file:
        return list(file)


def comma_separated(side: Any) -> Any:
    with io.TextIOWrapper(io.BufferedWriter(side.open("f", "w")), newline="") as file:
        writer = csv.writer(file)
        writer.writerows([[number, 'a "quoted", cell', number / 7] for number in range(40)])
    with io.TextIOWrapper(io.BufferedReader(side.open("f", "r")), newline="") as file:
        return list(csv.reader(file))


def settings_as_json(side: Any) -> Any:
    for version in range(4):
        with io.TextIOWrapper(io.BufferedWriter(side.open("f.new", "w"))) as file:
            json.dump({"version": version, "levels": list(range(50))}, file)
        side.rename("f.new", "f")
    with side.open("f", "r") as file:
        return json.load(file)


def pickled(side: Any) -> Any:
    with side.open("f", "w") as file:
        pickle.dump({"a": [1, 2, 3], "b": "x" * 5000}, file)
    with side.open("f", "r") as file:
        return pickle.load(file)


def zipped(side: Any) -> Any:
    with side.open("f", "w+") as file, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(5):
            archive.writestr(zipfile.ZipInfo(f"{number}.bin"), Random(number).randbytes(700))
    with side.open("f", "r+") as file, zipfile.ZipFile(file, "a") as archive:
        archive.writestr(zipfile.ZipInfo("late.txt"), "added later")
    with side.open("f", "r") as file, zipfile.ZipFile(file) as archive:
        return archive.testzip(), archive.namelist(), archive.read("3.bin"), archive.read("late.txt")


def tarred(side: Any) -> Any:
    with side.open("f", "w") as file, tarfile.open(fileobj=file, mode="w") as archive:
        info = tarfile.TarInfo("inner")
        info.size = 3000
        archive.addfile(info, io.BytesIO(b"t" * 3000))
    with side.open("f", "r") as file, tarfile.open(fileobj=file) as archive:
        member = archive.extractfile("inner")
        return archive.getnames(), member and member.read()


def compressed(side: Any) -> Any:
    with side.open("f", "w") as file, gzip.GzipFile("", "wb", fileobj=file, mtime=0) as packed:
        packed.write(b"abc" * 3000)
    with side.open("f", "r") as file, gzip.GzipFile(fileobj=file) as packed:
        return packed.read()


def database_pages(side: Any) -> Any:
    """Random access as a database does it: pages of 512 bytes read and rewritten, a counter in the first, a journal."""
    random = Random(5)
    seen = []
    with side.open("f", "w+") as file:
        file.truncate(16 * 512)
        for change in range(60):
            page = random.randrange(1, 16)
            file.seek(page * 512)
            old = file.read(512)
            with side.open("journal", "w") as journal:
                journal.write(struct.pack("<I", page) + old)
            file.seek(page * 512)
            file.write(random.randbytes(512))
            file.seek(24)
            file.write(struct.pack(">I", change))
            file.flush()
            side.remove("journal")
            seen.append(old)
        file.truncate(12 * 512)
    return seen


JOBS: list[Job] = [
    buffered_reader, buffered_writer, buffered_appender, buffered_random, text, text_appended, lines, comma_separated,
    settings_as_json, pickled, zipped, tarred, compressed, database_pages,
]  # fmt: skip


@pytest.mark.parametrize("kind", KINDS[1:])
@pytest.mark.parametrize("job", JOBS, ids=lambda job: job.__name__)
def test_as_on_the_host(tmp_path: Path, kind: str, job: Job) -> None:
    host, ours = make_side("host", tmp_path), make_side(kind, tmp_path)
    returned = job(host), job(ours)
    assert returned[1] == returned[0]
    assert ours.names() == host.names() == ["f"]
    assert ours.read("f") == host.read("f")
    assert len(host.read("f")) > 10


@pytest.fixture(params=KINDS)
def side(request: pytest.FixtureRequest, tmp_path: Path) -> Any:
    return make_side(request.param, tmp_path)


def test_what_a_raw_file_is(side: Any) -> None:
    with side.open("f", "w+") as file:
        assert isinstance(file, io.RawIOBase)
        assert file.readable()
        assert file.writable()
        assert file.seekable()
        assert not file.isatty()
        assert not file.closed
        assert file.name.endswith("f")
        assert file.mode in ("rb+", "wb+")  # the host forgets that it truncated
    assert file.closed


CLOSED: dict[str, tuple[Any, ...]] = {
    **dict.fromkeys(["read", "readall", "readline", "tell", "truncate", "flush", "isatty", "fileno", "__enter__"], ()),
    **dict.fromkeys(["readable", "writable", "seekable"], ()),
    **{"readinto": (bytearray(1),), "write": (b"x",), "seek": (0,), "writelines": ([],)},
}


@pytest.mark.parametrize(("method", "arguments"), CLOSED.items())
def test_a_closed_file_refuses(side: Any, method: str, arguments: tuple[Any, ...]) -> None:
    file = side.open("f", "w+")
    file.close()
    file.close()
    never = method == "fileno" and side.kind != "host"  # there is no descriptor, open or closed
    with pytest.raises(ValueError, match="fileno" if never else "closed file"):
        getattr(file, method)(*arguments)


WRONG: list[tuple[str, Any]] = [
    *(("write", wrong) for wrong in ("text", None, 3, memoryview(b"abcdef")[::2])),
    *(("seek", wrong) for wrong in (1.0, None, "1", -1)),
    *(("truncate", wrong) for wrong in (1.5, "1", -1)),
    *(("read", wrong) for wrong in (1.5, "1")),
    ("readinto", b"fixed"),
]


@pytest.mark.parametrize(("method", "argument"), WRONG)
def test_a_wrong_argument_changes_nothing(side: Any, method: str, argument: Any) -> None:
    with side.open("f", "w+") as file:
        file.write(b"abc")
        with pytest.raises((TypeError, BufferError, OSError)) as caught:
            getattr(file, method)(argument)
        assert isinstance(caught.value, OSError) == (argument == -1)
        assert file.tell() == 3
    assert side.read("f") == b"abc"


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_forgotten_file_is_closed_with_its_bytes(side: Any) -> None:
    file = side.open("f", "w")
    file.write(b"abc")
    del file
    gc.collect()
    assert side.read("f") == b"abc"
    if side.kind != "host":
        assert side.fs.files_open == 0


def test_only_the_host_has_a_descriptor(side: Any) -> None:
    with side.open("f", "w") as file:
        if side.kind == "host":
            assert file.fileno() >= 0
        else:
            with pytest.raises(io.UnsupportedOperation):
                file.fileno()


def test_writes_of_other_shapes(side: Any) -> None:
    with side.open("f", "w") as file:
        assert file.write(memoryview(b"abcdef").cast("B", (2, 3))) == 6
        assert file.write(memoryview(struct.pack("2I", 1, 2)).cast("I")) == 8
        assert file.write(bytearray()) == 0
    assert side.read("f") == b"abcdef" + struct.pack("2I", 1, 2)


def test_the_end_counts_what_was_written_and_not_flushed(side: Any) -> None:
    side.put("f", b"before")
    with side.open("f", "r+") as file:
        file.seek(0, 2)
        file.write(b" and after")
        assert file.seek(-5, 2) == 11
        assert file.read() == b"after"
        assert file.seek(0, 2) == 16


def test_truncating_leaves_the_position(side: Any) -> None:
    with side.open("f", "w+") as file:
        file.write(b"0123456789")
        assert file.truncate(4) == 4
        assert file.tell() == 10
        file.write(b"x")
        assert file.seek(2) == 2
        assert file.truncate() == 2
        file.seek(4)
        assert file.truncate(6) == 6
        assert file.tell() == 4
    assert side.read("f") == b"01" + bytes(4)


def test_writes_apart_from_each_other_do_not_join(side: Any) -> None:
    with side.open("f", "w") as file:
        file.write(b"start")
        file.seek(9)
        file.write(b"end")
        file.seek(1)
        file.write(b"T")
    assert side.read("f") == b"sTart" + bytes(4) + b"end"


@pytest.mark.parametrize("mode", ["r", "r+"])
def test_a_removed_file_lives_until_its_last_handle_is_closed(side: Any, mode: str) -> None:
    side.put("f", b"still here")
    with side.open("f", mode) as file, side.open("f", "r") as other:
        side.remove("f")
        assert not side.exists("f")
        assert other.read() == b"still here"
        other.close()
        side.put("f", b"new")
        assert file.read() == b"still here"
    assert side.read("f") == b"new"


def test_a_removed_file_may_be_written_and_cut_while_it_is_open(side: Any) -> None:
    side.put("f", b"0123456789")
    with side.open("f", "r+") as file:
        side.remove("f")
        file.truncate(4)
        file.seek(2)
        file.write(b"xyz" * 100)
        file.flush()
        assert file.truncate(20) == 20
        file.seek(0)
        assert file.read() == b"01" + b"xyz" * 6
        assert file.truncate(0) == 0
        assert file.seek(0, 2) == 0
    assert side.names() == []


@pytest.mark.parametrize("mode", ["r", "r+"])
def test_a_file_that_is_renamed_over_lives_until_its_last_handle_is_closed(side: Any, mode: str) -> None:
    side.put("f", b"still here")
    side.put("g", b"new")
    with side.open("f", mode) as file:
        side.rename("g", "f")
        assert file.read() == b"still here"
    assert side.read("f") == b"new"
    assert side.names() == ["f"]


def test_the_caller_may_reuse_the_buffer_after_a_write(side: Any) -> None:
    data = bytearray(b"abc")
    with side.open("f", "w") as file:
        file.write(data)
        data[:] = b"xyz!"
    assert side.read("f") == b"abc"


def test_bytes_written_over_while_they_wait_are_one_frame() -> None:
    store = Store.format(NorFlash(8, 1024, 128), StoreConfig(buffer_bytes=64, name_bytes=16))
    with store.open("log", "w") as file:
        before = store.flash.programs
        for at, data in ((0, b"0123456789"), (0, b"ab"), (9, b"9+"), (3, b"d"), (11, b".")):
            file.seek(at)
            file.write(data)
        assert store.flash.programs == before
    assert store.flash.programs == before + 1
    with store.open("log") as file:
        assert file.read() == b"ab2d456789+."
