"""A store through fsspec: fsspec's own suites for file systems, images, and pandas."""

from __future__ import annotations

import errno
import io
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.fat.card.card import Card
from simfs.files.card_store import CardConfig, CardStore
from simfs.files.contract import AnyStore
from simfs.files.model import Model

fsspec = pytest.importorskip("fsspec", reason="needs fsspec: pip install 'simfs[fsspec]'")

from fsspec.tests import abstract  # noqa: E402

TABLE = "time,level\n06:00,2.41\n06:06,2.44\n"


class Fixtures(abstract.AbstractFixtures):  # type: ignore[misc]
    """What fsspec's suites work on: a new store each time, with names long enough for theirs."""

    @pytest.fixture(params=["log", "memory", "card"])
    def fs(self, request: pytest.FixtureRequest) -> Any:
        config = StoreConfig(name_bytes=128)
        makers: dict[str, Callable[[], AnyStore]] = {
            "log": lambda: Store.format(NorFlash(64), config),
            "memory": lambda: Model(config),
            "card": lambda: CardStore.format(Card(2048), CardConfig(name_bytes=128)),
        }
        store = makers[request.param]()
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


def test_times_are_those_of_the_image_file(image: Path) -> None:
    os.utime(image, (0, 1_900_000_000))
    fs = fsspec.filesystem("simfs", image=image)
    for path in ("/tide/2031-04-05.csv", "/tide", "/"):
        assert fs.modified(path) == fs.created(path) == datetime(2030, 3, 17, 17, 46, 40, tzinfo=UTC)
    with pytest.raises(FileNotFoundError):
        fs.modified("/none")


def test_times_of_a_live_store_are_when_it_was_written_through(store: Store) -> None:
    begin = datetime.now(UTC)
    fs = fsspec.filesystem("simfs", store=store)
    opened = fs.created("/tide/2031-04-05.csv")
    assert begin <= opened == fs.modified("/tide/2031-04-05.csv") <= datetime.now(UTC)
    with fs.open("/tide/2031-04-05.csv", "ab") as file:
        file.write(b"06:12,2.47\n")
    assert fs.created("/tide/2031-04-05.csv") == opened < fs.modified("/tide/2031-04-05.csv")
    with fs.open("/new", "wb") as file:
        made = fs.created("/new")
        first = fs.modified("/new")
        file.write(b"1")
    assert opened < made <= first < fs.modified("/new")
    times = fs.created("/new"), fs.modified("/new")
    fs.mv("/new", "/moved")
    assert (fs.created("/moved"), fs.modified("/moved")) == times
    fs.mv("/tide/2031-04-05.csv", "/moved")
    assert fs.created("/moved") == opened
    fs.rm("/moved")
    fs.touch("/moved")
    assert fs.created("/moved") > times[1]
    fs.rm("/moved")
    store.open("/moved", "w").close()  # by somebody else
    assert fs.created("/moved") == fs.modified("/moved") == opened


def test_the_checksum_changes_with_the_contents(store: Store) -> None:
    """Not only with the size."""
    fs = fsspec.filesystem("simfs", store=store)
    path, seen, keys = "/tide/2031-04-05.csv", set(), set()
    for text in (TABLE, TABLE.replace("2.41", "2.42"), TABLE):
        fs.pipe_file(path, text.encode())
        seen.add(fs.checksum(path))
        keys.add(fs.ukey(path))
    assert len(seen) == len(keys) == 2
    assert fs.ukey("/tide") == fs.ukey("/tide")
    with pytest.raises(FileNotFoundError):
        fs.checksum("/none")


def test_another_image_in_its_place_is_seen(store: Store, image: Path, tmp_path: Path) -> None:
    """Through a cache that checks, too, though fsspec keeps the cache's file system."""
    path, fs = "/tide/2031-04-05.csv", fsspec.filesystem("simfs", image=image)
    options = {"cache_storage": str(tmp_path / "cache"), "check_files": True}
    for time, text in ((1_900_000_000, TABLE), (1_900_000_001, TABLE.replace("2.41", "2.42"))):
        with store.open(path, "w") as file:
            file.write(text.encode())
        image.write_bytes(store.flash.image())
        os.utime(image, (0, time))
        assert fs.cat(path) == text.encode()
        assert fs.modified(path).timestamp() == time
        with fsspec.open(f"filecache::simfs:/{path}::{image}", filecache=options) as cached:
            assert cached.read() == text.encode()
    image.unlink()
    assert fs.cat(path) == text.encode()
    image.write_bytes(bytes(4096))
    with pytest.raises(ValueError, match="it holds no store"):
        fs.cat(path)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # fsspec leaves its own file open
@pytest.mark.parametrize("kind", ["filecache", "blockcache", "simplecache"])
def test_fsspec_caches_give_the_bytes(store: Store, tmp_path: Path, kind: str) -> None:
    checking = {} if kind == "simplecache" else {"check_files": True}
    path = "/tide/2031-04-05.csv"
    with store.open(path, "w") as file:
        file.write(TABLE.encode() * 500)
    fs = fsspec.filesystem(kind, fs=fsspec.filesystem("simfs", store=store), cache_storage=str(tmp_path), **checking)
    with fs.open(path) as cached:
        cached.seek(9000)
        assert cached.read(100) == (TABLE.encode() * 500)[9000:9100]
    assert fs.cat(path) == TABLE.encode() * 500
    assert store.files_open == 0


def test_a_cache_that_checks_gives_no_old_bytes(store: Store, tmp_path: Path) -> None:
    """Though the new ones are as many."""
    inner = fsspec.filesystem("simfs", store=store)
    fs = fsspec.filesystem("filecache", fs=inner, cache_storage=str(tmp_path), check_files=True)
    path, other = "/tide/2031-04-05.csv", TABLE.replace("2.41", "2.42")
    assert fs.cat(path) == TABLE.encode()
    reads = store.flash.counts.reads
    assert fs.cat(path) == TABLE.encode()
    assert store.flash.counts.reads > reads  # to check
    inner.pipe_file(path, other.encode())
    with fs.open(path) as cached:
        assert cached.read() == other.encode()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # fsspec leaves its own file open
def test_a_block_cache_asks_for_the_blocks_that_are_read(store: Store, tmp_path: Path) -> None:
    with store.open("/large", "w") as file:
        file.write(bytes(20_000))
    asked: list[tuple[int, int]] = []
    inner = fsspec.filesystem("simfs", store=store)
    fs = fsspec.filesystem("blockcache", fs=inner, cache_storage=str(tmp_path))
    with fs.open("/large", block_size=1024) as file:
        assert (file.blocksize, file.size) == (1024, 20_000)
        fetch = file.cache.fetcher
        file.cache.fetcher = lambda start, end: asked.append((start, end)) or fetch(start, end)
        file.cache.multi_fetcher = None
        for _ in range(2):
            file.seek(5000)
            assert file.read(10) == bytes(10)
    assert asked == [(4096, 5120)]


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
