# ruff: noqa: SIM115, UP015
"""Firmware logic in Python on the store: the same functions on the host and below the prefix tell the same."""

from __future__ import annotations

import builtins
import csv
import errno
import glob
import io
import json
import mmap
import os
import pathlib
import shutil
import tempfile
import time
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.bridges.patched import UNSUPPORTED, patched
from simfs.fat.card.card import Card
from simfs.files.card_store import CardConfig, CardStore
from simfs.files.contract import AnyStore
from simfs.files.model import Model
from simfs.replay.device.clock import moment

PLACE = "/sd-card"


@pytest.fixture(params=["log", "memory", "card"])
def store(request: pytest.FixtureRequest) -> AnyStore:
    config = StoreConfig(name_bytes=64)
    if request.param == "card":
        return CardStore.format(Card(2048), CardConfig(name_bytes=64))
    return Store.format(NorFlash(64), config) if request.param == "log" else Model(config)


def told(action: Callable[[], Any]) -> Any:
    """What an action gives, or how it fails."""
    try:
        return action()
    except (ValueError, TypeError, LookupError) as error:
        return next(kind.__name__ for kind in (ValueError, TypeError, LookupError) if isinstance(error, kind))
    except OSError as error:
        return type(error).__name__, error.errno


def names(place: str) -> list[Any]:
    os.mkdir(f"{place}/log")
    Path(place, "log", "a.txt").write_text("one\ntwo\n", encoding="utf-8")
    Path(place, "log", "b.txt").write_bytes(b"12345")
    os.rename(f"{place}/log/b.txt", f"{place}/log/c.txt")
    os.replace(f"{place}/log/c.txt", f"{place}/b.txt")
    Path(place, "touched").touch()
    Path(place, "touched").touch()
    os.chmod(f"{place}/touched", 0o600)
    os.utime(f"{place}/touched")
    os.truncate(f"{place}/b.txt", 7)
    found: list[Any] = [sorted(os.listdir(place)), sorted(os.listdir(os.fsencode(f"{place}/log")))]
    found += [os.path.exists(f"{place}/log/a.txt"), os.path.isfile(place), os.path.isdir(f"{place}/log")]
    found += [os.path.getsize(f"{place}/b.txt"), os.stat(f"{place}/b.txt").st_size, Path(place, "none").exists()]
    found += [os.access(f"{place}/b.txt", os.W_OK), os.access(f"{place}/none", os.R_OK)]
    found += [os.path.samefile(f"{place}/b.txt", f"{place}/touched"), os.path.islink(f"{place}/b.txt")]
    found += [sorted(entry.name for entry in os.scandir(place) if entry.is_file())]
    found += [sorted(path.relative_to(place).as_posix() for path in Path(place).rglob("*"))]
    found += [sorted(os.path.relpath(path, place) for path in glob.glob(f"{place}/**/*.txt", recursive=True))]
    found += [
        sorted((os.path.relpath(top, place), sorted(below), sorted(files)) for top, below, files in os.walk(place))
    ]
    found += [Path(place, "b.txt").read_bytes(), Path(place, "log/../b.txt").resolve().name]
    return found


def refusals(place: str) -> list[Any]:
    os.makedirs(f"{place}/full/deep")
    Path(place, "full", "file").write_text("x")
    Path(place, "other").write_text("y")
    actions: list[Callable[[], Any]] = [
        lambda: os.remove(f"{place}/none"),
        lambda: os.unlink(f"{place}/full"),
        lambda: os.rename(f"{place}/none", f"{place}/there"),
        lambda: os.rename(f"{place}/other", f"{place}/full"),
        lambda: os.rename(f"{place}/full", f"{place}/other"),
        lambda: os.rename(f"{place}/full", f"{place}/full/deep/er"),
        lambda: os.listdir(f"{place}/none"),
        lambda: os.listdir(f"{place}/other"),
        lambda: os.stat(f"{place}/none"),
        lambda: os.mkdir(f"{place}/full"),
        lambda: os.mkdir(f"{place}/none/deep"),
        lambda: os.rmdir(f"{place}/full"),
        lambda: os.rmdir(f"{place}/none"),
        lambda: os.utime(f"{place}/none"),
        lambda: Path(place, "other").touch(exist_ok=False),
        lambda: open(f"{place}/none"),
        lambda: open(f"{place}/full"),
        lambda: open(f"{place}/other", "x"),
        lambda: open(f"{place}/other", "rt+b"),
        lambda: open(f"{place}/other", "q"),
        lambda: open(f"{place}/other", "rb", encoding="utf-8"),
        lambda: open(f"{place}/other", "r", 0),
        lambda: open(f"{place}/other", 3),  # type: ignore[call-overload]
        lambda: open(f"{place}/oth\0er"),
        lambda: open(f"{place}/other", "r", encoding="no such"),
    ]
    return [told(action) for action in actions]


def streams(place: str) -> list[Any]:
    found: list[Any] = []
    with open(f"{place}/table.csv", "w", newline="", encoding="utf-8") as table:
        csv.writer(table).writerows([["time", "level"], ["06:00", 2.41], ["06:06", 2.44]])
        found += [table.mode, table.name == f"{place}/table.csv", table.encoding]
    with open(f"{place}/table.csv", "a+", encoding="utf-8") as table:
        table.write("07:00,ä\n")
        table.seek(0)
        found.append(table.readlines())
    with open(f"{place}/table.csv", newline="", encoding="utf-8") as table:
        found.append(list(csv.reader(table)))
    with io.open(f"{place}/raw", "wb", buffering=0) as raw:  # noqa: UP020
        found += [type(raw).__name__ in ("FileIO", "OpenedFile"), raw.write(b"abcdef")]
    with open(Path(place, "raw"), "rb+") as both:
        both.seek(2)
        both.write(b"X")
        both.seek(0)
        found += [both.read(), both.mode, type(both).__name__]
    with open(os.fsencode(f"{place}/raw"), "rb", 3) as small:
        found += [small.read(2), small.peek(1)[:1]]
    with open(f"{place}/lines", "w", buffering=1, encoding="utf-8") as lines:
        lines.write("now\n")
        found.append(os.path.getsize(f"{place}/lines"))
    with zipfile.ZipFile(f"{place}/a.zip", "w") as archive:
        archive.writestr("inside", "text" * 100)
    found.append(zipfile.ZipFile(f"{place}/a.zip").read("inside"))
    with open(f"{place}/settings.json", "w", encoding="utf-8") as settings:
        json.dump({"volume": 3}, settings)
    shutil.copy(f"{place}/settings.json", f"{place}/copy.json")
    found.append(json.loads(Path(place, "copy.json").read_text(encoding="utf-8")))
    return found


def descriptors(place: str) -> list[Any]:
    file = os.open(f"{place}/f", os.O_CREAT | os.O_RDWR, 0o644)
    found: list[Any] = [os.write(file, b"0123456789"), os.lseek(file, 2, os.SEEK_SET), os.read(file, 3)]
    found += [os.pwrite(file, b"X", 0), os.pread(file, 2, 0), os.read(file, 1), os.isatty(file)]
    os.fsync(file)
    os.ftruncate(file, 8)
    found += [os.fstat(file).st_size, os.stat(file).st_size, os.path.sameopenfile(file, file)]
    os.close(file)
    found += [told(lambda: os.read(file, 1)), told(lambda: os.close(file))]
    appending = os.open(f"{place}/f", os.O_RDWR | os.O_APPEND)
    found += [os.write(appending, b"!"), os.lseek(appending, 0, os.SEEK_SET), os.read(appending, 20)]
    os.close(appending)
    with os.fdopen(os.open(f"{place}/f", os.O_WRONLY | os.O_APPEND), "a", encoding="utf-8") as log:
        log.write("end")
        log.flush()
        os.fsync(log.fileno())
        found += [os.path.getsize(f"{place}/f"), os.fstat(log.fileno()).st_size]
    with open(f"{place}/f", "rb") as file_object:
        number = file_object.fileno()
        found += [file_object.fileno() == number, os.read(number, 2), told(lambda: os.write(number, b"x"))]
        with open(number, "rb", closefd=False) as again:
            found += [again.read(3), again.name == number]
        found.append(file_object.closed)
    found.append(told(lambda: os.fsync(number)))
    flags = [os.O_RDONLY, os.O_CREAT | os.O_EXCL, os.O_DIRECTORY, os.O_TRUNC | os.O_RDWR]
    for wanted, name in ((flags[0], "none"), (flags[1], "f"), (flags[2], "f"), (flags[0], "f"), (flags[3], "f")):
        opened = told(lambda wanted=wanted, name=name: os.open(f"{place}/{name}", wanted))  # type: ignore[misc]
        if isinstance(opened, int):
            found += [told(lambda opened=opened: os.write(opened, b"zz")), os.fstat(opened).st_size]  # type: ignore[misc]
            os.close(opened)
            continue
        found.append(opened)
    found += [told(lambda: open(f"{place}/f", closefd=False)), Path(place, "f").read_bytes()]
    with open(f"{place}/given", "xb", opener=lambda path, flags: os.open(path, flags, 0o600)) as given:
        found += [given.write(b"given"), given.name == f"{place}/given"]
    return [*found, Path(place, "given").read_bytes()]


def whole_trees(place: str) -> list[Any]:
    for path in ("a/b/c", "a/b/d", "a/e", "kept"):
        Path(place, path).parent.mkdir(parents=True, exist_ok=True)
        Path(place, path).write_text(path)
    found: list[Any] = [sorted((files, below) for _, below, files, _ in os.fwalk(f"{place}/a"))]
    above = os.open(f"{place}/a", os.O_RDONLY)
    found += [sorted(os.listdir(above)), sorted(entry.name for entry in os.scandir(above))]
    found += [os.stat("e", dir_fd=above).st_size, told(lambda: os.read(above, 1))]
    os.fsync(above)
    os.unlink("e", dir_fd=above)
    os.close(above)
    shutil.copytree(f"{place}/a", f"{place}/copied")
    shutil.rmtree(f"{place}/a")
    found += [sorted(os.listdir(place)), told(lambda: shutil.rmtree(f"{place}/none"))]
    shutil.move(f"{place}/copied", f"{place}/moved")
    return [*found, sorted(os.path.relpath(path, place) for path in glob.glob(f"{place}/**", recursive=True))]


def temporary_files(place: str) -> list[Any]:
    with tempfile.TemporaryFile(dir=place) as one:
        one.write(b"abc")
        one.seek(0)
        found: list[Any] = [one.read()]
    with tempfile.NamedTemporaryFile("w+", dir=place, suffix=".tmp", encoding="utf-8") as named:
        named.write("text")
        named.flush()
        found += [Path(named.name).read_text(encoding="utf-8"), os.path.dirname(named.name) == place]
    number, path = tempfile.mkstemp(dir=place)
    found += [os.write(number, b"kept"), os.path.getsize(path)]
    os.close(number)
    os.replace(path, f"{place}/settings")
    with tempfile.TemporaryDirectory(dir=place) as folder:
        Path(folder, "in").write_text("x")
        found.append(os.listdir(folder))
    with tempfile.SpooledTemporaryFile(2, dir=place) as spooled:
        spooled.write(b"more than two")
        spooled.seek(0)
        found.append(spooled.read())
    return [*found, os.listdir(place)]


def folders(place: str) -> list[Any]:
    os.makedirs(f"{place}/a/b")
    Path(place, "a", "b", "file").write_text("x")
    Path(place, "a", "file").write_text("yy")
    os.rename(f"{place}/a", f"{place}/z")
    found: list[Any] = [sorted(str(path.relative_to(place)) for path in Path(place).rglob("*"))]
    os.remove(f"{place}/z/b/file")
    found += [os.path.isdir(f"{place}/z/b"), os.path.exists(f"{place}/a")]
    os.rmdir(f"{place}/z/b")
    os.remove(f"{place}/z/file")
    os.rmdir(f"{place}/z")
    return [*found, os.listdir(place)]


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("logic", [names, refusals, streams, descriptors, whole_trees, temporary_files])
def test_the_same_on_the_host_and_on_the_store(
    logic: Callable[[str], list[Any]], store: AnyStore, tmp_path: Path
) -> None:
    expected = logic(str(tmp_path))
    with patched(store, PLACE):
        found = logic(PLACE)
    assert found == expected
    assert not os.path.exists(PLACE)
    assert store.names()
    assert store.check() == []


def test_directories_are_notes_that_behave(store: AnyStore, tmp_path: Path) -> None:
    with patched(store, str(tmp_path / "sd")):
        (tmp_path / "sd" / "kept").write_text("x")
        os.makedirs(tmp_path / "sd" / "empty")
        (tmp_path / "sd" / "never" / "made").write_text("a store needs no directory")
        os.rename(tmp_path / "sd" / "never" / "made", tmp_path / "sd" / "made")
        assert os.listdir(tmp_path / "sd" / "never") == []
        os.remove(tmp_path / "sd" / "made")
    assert store.names() == ["/kept"]
    with patched(Store.format(NorFlash(64)), tmp_path / "sd"):
        found = folders(str(tmp_path / "sd"))
    (tmp_path / "host").mkdir()
    assert found == folders(str(tmp_path / "host"))


def test_other_paths_stay_on_the_host(store: AnyStore, tmp_path: Path) -> None:
    sibling = tmp_path / "sd-card-2"
    (tmp_path / "sd-card").mkdir()
    with patched(store, tmp_path / "sd-card"):
        sibling.write_text("host")
        (tmp_path / "sd-card" / "in").write_text("store")
        (tmp_path / "sd-card" / ".." / "out").write_text("host")
        assert sorted(os.listdir(tmp_path)) == ["out", "sd-card", "sd-card-2"]
        with pytest.raises(OSError, match="cross-device") as refused:
            os.rename(tmp_path / "sd-card" / "in", tmp_path / "in")
        assert (refused.value.errno, refused.value.filename2) == (errno.EXDEV, str(tmp_path / "in"))
        shutil.move(tmp_path / "sd-card" / "in", tmp_path / "moved")
    assert (tmp_path / "moved").read_text() == "store"
    assert store.names() == []


def test_descriptors_are_the_host_s(store: AnyStore, tmp_path: Path) -> None:
    with patched(store, PLACE):
        number = os.open(tmp_path / "a", os.O_CREAT | os.O_RDWR)
        with open(number, "w+") as host:
            host.write("host")
            host.flush()
            assert os.stat(number).st_size == 4
    assert (tmp_path / "a").read_text() == "host"
    assert store.names() == []


def test_synced_bytes_are_on_the_flash() -> None:
    store = Store.format(NorFlash(64))

    def stored_bytes() -> int:
        return Store.mount(NorFlash.from_image(store.flash.image()), read_only=True).stat("/a").size_bytes

    with patched(store, PLACE), open(f"{PLACE}/a", "w") as file:
        file.write("text")
        file.flush()
        assert stored_bytes() == 0
        os.fsync(file.fileno())
        assert stored_bytes() == 4


def test_descriptors_that_code_in_c_uses_are_refused_and_end_with_the_block(store: AnyStore) -> None:
    """As `numpy.ndarray.tofile` does, which duplicates the number and writes in C."""
    before = sorted(os.listdir("/proc/self/fd"))
    with patched(store, PLACE):
        with open(f"{PLACE}/a", "wb") as file:
            number = file.fileno()
            with pytest.raises(OSError, match="no descriptor that code in C could use; read and write") as refused:
                os.dup(number)
            assert refused.value.errno == errno.ENOTSUP
            with pytest.raises(OSError, match="Bad file descriptor"), mmap.mmap(number, 1):
                pass
        left_open = open(f"{PLACE}/a", "rb")
        left_open.fileno()
    assert sorted(os.listdir("/proc/self/fd")) == before
    assert left_open.read() == b""
    left_open.close()


def test_a_file_of_the_store_goes_into_a_zip_with_its_time(store: AnyStore) -> None:
    at_ns = moment(2033, 4, 5, 6, 7, 8)
    with patched(store, PLACE, lambda: at_ns):
        Path(PLACE, "log").write_text("06:00,2.41\n")
        with zipfile.ZipFile(f"{PLACE}/a.zip", "w") as archive:
            archive.write(f"{PLACE}/log", "log")
        taken = zipfile.ZipFile(f"{PLACE}/a.zip").getinfo("log")
        changed = os.stat(f"{PLACE}/log").st_mtime
    assert changed == datetime(2033, 4, 5, 6, 7, 8, tzinfo=UTC).timestamp()
    assert taken.date_time == time.localtime(changed)[:6]


def test_times_are_the_device_s_and_stay_with_the_file(store: AnyStore) -> None:
    seconds = count(moment(2033), 10**9)
    with patched(store, PLACE, lambda: next(seconds)):
        for name in ("a", "b"):
            Path(PLACE, name).write_text("x")
        older, newer = (os.stat(f"{PLACE}/{name}").st_mtime_ns for name in ("a", "b"))
        os.rename(f"{PLACE}/a", f"{PLACE}/c")
        os.mkdir(f"{PLACE}/d")
        os.rename(f"{PLACE}/c", f"{PLACE}/d/c")
        os.rename(f"{PLACE}/d", f"{PLACE}/e")
        assert older == os.stat(f"{PLACE}/e/c").st_mtime_ns < newer
        Path(PLACE, "e/c").write_text("y")
        assert os.stat(f"{PLACE}/e/c").st_mtime_ns > newer
        os.utime(f"{PLACE}/b", ns=(5, 7_000_000_007))
        shutil.copy2(f"{PLACE}/b", f"{PLACE}/f")
        assert (os.stat(f"{PLACE}/f").st_atime_ns, os.path.getmtime(f"{PLACE}/f")) == (5, 7.000000007)
    with patched(store, PLACE):
        assert time.gmtime(os.path.getmtime(f"{PLACE}/b")).tm_year == 2031


def test_the_room_of_the_store(store: AnyStore) -> None:
    with patched(store, PLACE):
        before = shutil.disk_usage(PLACE)
        Path(PLACE, "big").write_bytes(bytes(20_000))
        room = os.statvfs(f"{PLACE}/big")
        assert 19_900 <= before.free - shutil.disk_usage(PLACE).free < 24_000
        assert (room.f_bavail * room.f_frsize, room.f_namemax) == (shutil.disk_usage(PLACE).free, 62)
        with pytest.raises(FileNotFoundError):
            os.statvfs(f"{PLACE}/none")


def test_errors_name_the_path_as_it_was_given(store: AnyStore) -> None:
    with patched(store, PLACE):
        with pytest.raises(FileNotFoundError) as refused:
            open(f"{PLACE}/none/../none")
        assert refused.value.filename == f"{PLACE}/none/../none"
        with pytest.raises(OSError, match="71 bytes, 63 fit") as refused:
            Path(PLACE, "n" * 70).write_text("x")
        assert refused.value.errno == errno.ENAMETOOLONG


@pytest.mark.parametrize("function", [name for name in UNSUPPORTED if hasattr(os, name)])
def test_what_a_store_has_not_is_refused(function: str, store: AnyStore) -> None:
    two: dict[str, tuple[Any, ...]] = {
        "link": (f"{PLACE}/b",),
        "symlink": (f"{PLACE}/b",),
        "setxattr": ("user.a", b""),
    }
    two |= {"setxattr": ("user.a", b""), "getxattr": ("user.a",), "removexattr": ("user.a",)}
    with patched(store, PLACE), pytest.raises(OSError, match=f"a store can't do os.{function}") as refused:
        getattr(os, function)(f"{PLACE}/a", *two.get(function, ()))
    assert refused.value.errno == errno.ENOTSUP


def fail_patched(patched: bool) -> None:
    assert patched
    raise ZeroDivisionError


def test_everything_is_as_before_at_the_end_even_after_errors(store: AnyStore) -> None:
    def now() -> list[Any]:
        owners = [(builtins, "open"), (io, "open"), (pathlib.Path, "touch")]
        return [getattr(owner, name) for owner, name in owners] + [value for _, value in sorted(vars(os).items())]

    before = now()
    with pytest.raises(ZeroDivisionError), patched(store, PLACE):
        fail_patched(now() != before)
    assert now() == before
    with patched(store, PLACE):
        with pytest.raises(RuntimeError, match="in use already"), patched(store, "/other"):
            pass
        Path(PLACE, "a").write_text("still patched")
    assert now() == before
    assert store.stat("/a").size_bytes == 13


def test_a_prefix_that_takes_everything_is_refused(store: AnyStore) -> None:
    for prefix in ("/", "//", "/a/.."):
        with pytest.raises(ValueError, match="would take every path"), patched(store, prefix):
            pass


def test_a_full_store_refuses_as_a_full_card_does() -> None:
    store = Store.format(NorFlash(6))
    with patched(store, PLACE):
        with open(f"{PLACE}/big", "wb", 0) as big, pytest.raises(OSError, match="No space left") as refused:
            list(iter(lambda: big.write(bytes(200)), 0))
        assert refused.value.errno == errno.ENOSPC
        os.remove(f"{PLACE}/big")
    assert store.names() == []
