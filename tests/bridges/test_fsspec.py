"""A store through fsspec: fsspec's own suites for file systems, images, and pandas."""

from __future__ import annotations

import errno
import io
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.files.model import Model

fsspec = pytest.importorskip("fsspec", reason="needs fsspec: pip install 'simfs[fsspec]'")

from fsspec.tests import abstract  # noqa: E402

TABLE = "time,level\n06:00,2.41\n06:06,2.44\n"


class Fixtures(abstract.AbstractFixtures):  # type: ignore[misc]
    """What fsspec's suites work on: a new store each time, with names long enough for theirs."""

    @pytest.fixture(params=["log", "memory"])
    def fs(self, request: pytest.FixtureRequest) -> Any:
        config = StoreConfig(name_bytes=128)
        store = Store.format(NorFlash(64), config) if request.param == "log" else Model(config)
        yield fsspec.filesystem("simfs", store=store)
        assert store.check() == []
        assert store.files_open == 0

    @pytest.fixture
    def fs_join(self) -> Any:
        return lambda *parts: "/".join(parts)

    @pytest.fixture
    def fs_path(self) -> str:
        return "/here"


class TestCopy(abstract.AbstractCopyTests, Fixtures):  # type: ignore[misc]
    """fs.copy"""


class TestGet(abstract.AbstractGetTests, Fixtures):  # type: ignore[misc]
    """fs.get"""


class TestPut(abstract.AbstractPutTests, Fixtures):  # type: ignore[misc]
    """fs.put"""


class TestOpen(abstract.AbstractOpenTests, Fixtures):  # type: ignore[misc]
    """fs.open"""


class TestPipe(abstract.AbstractPipeTests, Fixtures):  # type: ignore[misc]
    """fs.pipe"""


@pytest.fixture
def store() -> Store:
    store = Store.format(NorFlash(16))
    with store.open("/tide/2031-04-05.csv", "w") as file:
        file.write(TABLE.encode())
    return store


@pytest.fixture
def image(store: Store, tmp_path: Path) -> Path:
    """The image of a unit that came back."""
    path = tmp_path / "returned.img"
    path.write_bytes(store.flash.image())
    return path


def test_a_live_store(store: Store) -> None:
    fs = fsspec.filesystem("simfs", store=store)
    assert fs.ls("simfs://", detail=False) == ["/tide"]
    assert fs.info("tide/2031-04-05.csv") == {"name": "/tide/2031-04-05.csv", "size": len(TABLE), "type": "file"}
    with fs.open("/new.txt", "w") as new:
        new.write("text")
    with fs.open("/new.txt", "ab") as new:
        new.write(b" and more")
    with fs.open("/new.txt", "r+b") as new:
        new.write(b"T")
    assert fs.cat("/new.txt") == b"Text and more"
    assert fs.cat_file("/new.txt", start=-4) == b"more"
    programs = store.flash.programs
    fs.mv("/new.txt", "/tide/moved.txt")
    assert store.flash.programs - programs == 1
    assert store.names() == ["/tide/2031-04-05.csv", "/tide/moved.txt"]
    assert fs.glob("/**/*.txt") == ["/tide/moved.txt"]
    fs.rm("/tide", recursive=True)
    assert (store.names(), fs.find("/")) == ([], [])


def test_what_is_refused(store: Store) -> None:
    fs = fsspec.filesystem("simfs", store=store)
    with pytest.raises(FileNotFoundError) as refused:
        fs.open("/tide/none")
    assert refused.value.filename == "/tide/none"
    with pytest.raises(FileNotFoundError):
        fs.rm("/none")
    with pytest.raises(IsADirectoryError):
        fs.open("/tide", "wb")
    with pytest.raises(OSError, match="File name too long"):
        fs.touch("/" + "n" * 60)
    with pytest.raises(OSError, match="no transactions"), fs.transaction:
        fs.open("/a", "wb")
    with pytest.raises(OSError, match="not empty"):
        fs.rmdir("/tide")


def test_an_image_is_read_and_stays_as_it_is(image: Path) -> None:
    before = image.read_bytes()
    with fsspec.open("simfs://tide/2031-04-05.csv", "r", image=image) as file:
        assert file.read() == TABLE
    with fsspec.open(f"simfs://tide/2031-04-05.csv::{image}") as file:
        assert file.read() == TABLE.encode()
    fs = fsspec.filesystem("simfs", image=image)
    for change in (lambda: fs.touch("/a"), lambda: fs.rm("/tide/2031-04-05.csv"), lambda: fs.mkdir("/a")):
        with pytest.raises(OSError, match="Read-only") as refused:
            change()
        assert refused.value.errno == errno.EROFS
    assert image.read_bytes() == before


def test_a_dump_of_the_whole_chip(image: Path) -> None:
    store_bytes = image.read_bytes()
    image.write_bytes(b"\x55" * 8192 + store_bytes + b"\xff" * 4096)
    for options in ({}, {"start": 8192}):
        assert fsspec.filesystem("simfs", image=str(image), **options).exists("/tide/2031-04-05.csv")


def test_nonsense_is_refused(store: Store, image: Path, tmp_path: Path) -> None:
    for options in ({}, {"store": store, "image": image}):
        with pytest.raises(ValueError, match="either a store or an image"):
            fsspec.filesystem("simfs", **options)
    with pytest.raises(FileNotFoundError):
        fsspec.filesystem("simfs", image=tmp_path / "none.img")
    image.write_bytes(bytes(4096))
    with pytest.raises(ValueError, match="it holds no store"):
        fsspec.filesystem("simfs", image=image)
    with pytest.raises(ValueError, match="local files, not over memory"):
        fsspec.open("simfs://a::memory://b")


def test_without_fsspec_it_says_what_to_install() -> None:
    code = "import sys; sys.modules['fsspec'] = None; import simfs.bridges.fsspec_store"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr.splitlines()[-1] == (
        "ImportError: simfs:// needs fsspec; install it with pip install 'simfs[fsspec]'"
    )


def test_pandas_reads_a_table_from_a_returned_image(image: Path) -> None:
    pandas = pytest.importorskip("pandas", reason="needs pandas: pip install pandas")
    expected = pandas.read_csv(io.StringIO(TABLE))
    by_url = pandas.read_csv(f"simfs://tide/2031-04-05.csv::{image}")
    by_option = pandas.read_csv("simfs://tide/2031-04-05.csv", storage_options={"image": str(image)})
    assert by_url.equals(expected)
    assert by_option.equals(expected)
    assert list(expected["level"]) == [2.41, 2.44]
