"""A mounted store under real programs, through the kernel; skipped with the reason where nothing can be mounted."""

from __future__ import annotations

import ctypes
import errno
import filecmp
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from simfs import NorFlash, Store
from simfs.bridges.mount.mount import CannotMount, check_directory
from tests.fat.volumes import fsck
from tests.support.mounts import NEEDS_MOUNTS, mounted, scenario_in
from tests.support.places import ROOT
from tests.support.tools import needs, needs_cpython_tests

pytestmark = NEEDS_MOUNTS


@pytest.fixture(scope="module")
def place() -> Iterator[Path]:
    """One mount for the programs that need no more than a directory."""
    with tempfile.TemporaryDirectory() as folder:
        above = Path(folder)
        with mounted(scenario_in(above, "4 MiB"), above / "mnt", "--save-image", above / "flash.bin") as mount:
            yield mount.path
            (mount.path / "last").write_bytes(b"kept")
            mount.unmount()
            status, output, errors = mount.end()
        assert (status, errors.count("\n")) == (0, 1), errors
        assert "A directory on the chip" in output
        store = Store.mount(NorFlash.from_image((above / "flash.bin").read_bytes()))
        assert store.check() == []
        assert store.open("/last").read() == b"kept"


@pytest.fixture
def folder(place: Path, request: pytest.FixtureRequest) -> Path:
    """A directory on the mount of the test's own."""
    made = place / request.node.name.removeprefix("test_").partition("[")[0][:20]
    made.mkdir(exist_ok=True)
    return made


def test_ends_with_the_report_and_the_image(tmp_path: Path) -> None:
    image = tmp_path / "flash.bin"
    with mounted(scenario_in(tmp_path), tmp_path / "mnt", "--save-image", image) as mount:
        (mount.path / "log").mkdir()
        (mount.path / "none").mkdir()
        (mount.path / "log/a.csv").write_bytes(b"06:00,2.41\n")
        mount.unmount()
        status, output, errors = mount.end()
    assert status == 0, errors
    assert "mount" in output
    assert "operations" in output
    assert "! 1 empty directory ended with the mount, the store has none: /none." in output
    assert errors == f"simfs: {mount.path} is the store now; end it with fusermount3 -u {mount.path}\n"
    store = Store.mount(NorFlash.from_image(image.read_bytes()), read_only=True)
    assert store.names() == ["/log/a.csv"]
    assert store.open("/log/a.csv").read() == b"06:00,2.41\n"
    with mounted(image, tmp_path / "again", "--read-only", "--json") as mount:
        assert (mount.path / "log/a.csv").read_bytes() == b"06:00,2.41\n"
        with pytest.raises(OSError, match="Read-only"):
            (mount.path / "b").write_bytes(b"")
        with pytest.raises(OSError, match="Read-only"):
            (mount.path / "d").mkdir()  # the kernel's own refusal: the store knows no directories
        mount.unmount()
        status, output, _ = mount.end()
    found = json.loads(output)
    assert (status, found["subject"]["kind"], found["flash_work"]["programs"]) == (0, "mount", 0)
    assert found["mount"] == {"empty_directories_lost": []}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_like_an_unmount(tmp_path: Path, number: signal.Signals) -> None:
    image = tmp_path / "flash.bin"
    with mounted(scenario_in(tmp_path), tmp_path / "mnt", "--save-image", image) as mount:
        file = os.open(mount.path / "open", os.O_CREAT | os.O_WRONLY)  # and stays so: the directory is busy
        os.write(file, b"abc")
        mount.process.send_signal(number)
        status, output, errors = mount.end()
        assert (status, "A directory on the chip" in output) == (0, True), errors
        assert not os.path.ismount(mount.path)
        with pytest.raises(OSError, match="not connected"):
            os.close(file)
    store = Store.mount(NorFlash.from_image(image.read_bytes()), read_only=True)
    assert store.open("/open").read() == b"abc"


def test_a_killed_process_leaves_the_image_as_it_was_saved_last(tmp_path: Path) -> None:
    """After a sync of the directory, and after an interval."""
    image = tmp_path / "flash.bin"

    def saved() -> list[str]:
        return Store.mount(NorFlash.from_image(image.read_bytes()), read_only=True).names()

    with mounted(scenario_in(tmp_path), tmp_path / "mnt", "--save-image", image, "--save-every", "20 ms") as mount:
        (mount.path / "a").write_bytes(b"a")
        above = os.open(mount.path, os.O_RDONLY)
        os.fsync(above)
        os.close(above)
        assert saved() == ["/a"]
        (mount.path / "b").write_bytes(b"b")
        began = time.monotonic()
        while saved() != ["/a", "/b"]:
            assert time.monotonic() - began < 60
            time.sleep(0.02)
        mount.process.kill()
        mount.process.wait()
        mount.unmount()
    assert saved() == ["/a", "/b"]
    assert not list(tmp_path.glob("*.part"))


def refused(number: int, *given: object) -> None:
    call, *rest = given
    with pytest.raises(OSError, match=rf"Errno {number}\]"):
        call(*rest)  # type: ignore[operator]


def test_errors_reach_the_program(folder: Path) -> None:
    (folder / "f").write_bytes(b"0123456789")
    (folder / "d").mkdir()
    refused(errno.EEXIST, os.open, folder / "f", os.O_CREAT | os.O_EXCL | os.O_RDWR)
    refused(errno.ENOENT, os.open, folder / "x", os.O_RDWR)
    refused(errno.ENOTDIR, os.open, folder / "f/x", os.O_RDWR | os.O_CREAT)
    refused(errno.EISDIR, os.open, folder / "d", os.O_RDWR)
    refused(errno.ENAMETOOLONG, os.open, folder / ("n" * 245), os.O_RDWR | os.O_CREAT)
    refused(errno.EPERM, os.symlink, "f", folder / "s")
    refused(errno.EPERM, os.link, folder / "f", folder / "l")
    refused(errno.EOPNOTSUPP, os.setxattr, folder / "f", "user.a", b"1")
    (folder / "d/g").write_bytes(b"g")
    refused(errno.ENOTEMPTY, os.rmdir, folder / "d")
    refused(errno.EISDIR, os.rename, folder / "f", folder / "d")
    file = os.open(folder / "f", os.O_WRONLY | os.O_APPEND)
    assert os.pwrite(file, b"ab", 0) == 2
    os.fsync(file)
    assert _fallocate(file) == errno.EOPNOTSUPP
    os.close(file)
    assert (folder / "f").read_bytes() == b"0123456789ab"
    os.truncate(folder / "f", 3)
    os.close(os.open(folder / "f", os.O_WRONLY | os.O_TRUNC))
    assert (folder / "f").stat().st_size == 0


def _fallocate(file: int) -> int:
    library = ctypes.CDLL(None, use_errno=True)
    call = library.fallocate
    call.argtypes = (ctypes.c_int, ctypes.c_int, ctypes.c_long, ctypes.c_long)
    return ctypes.get_errno() if call(file, 0, 0, 100) else 0


def test_renaming_with_flags(folder: Path) -> None:
    (folder / "a").write_bytes(b"a")
    (folder / "b").write_bytes(b"b")
    rename = ctypes.CDLL(None, use_errno=True).renameat2
    for flags, number in ((1, errno.EEXIST), (2, errno.EINVAL)):  # RENAME_NOREPLACE, RENAME_EXCHANGE
        assert rename(-1, os.fsencode(folder / "a"), -1, os.fsencode(folder / "b"), flags) == -1
        assert ctypes.get_errno() == number
    os.replace(folder / "a", folder / "b")
    assert (os.listdir(folder), (folder / "b").read_bytes()) == (["b"], b"a")


def test_removed_files_live_while_they_are_open(folder: Path) -> None:
    with open(folder / "t", "wb+", buffering=0) as file:
        file.write(b"abc")
        os.unlink(folder / "t")
        assert os.listdir(folder) == []
        file.write(b"def")
        assert (os.fstat(file.fileno()).st_size, os.fstat(file.fileno()).st_nlink) == (6, 0)
        file.seek(0)
        assert file.read() == b"abcdef"
    with tempfile.TemporaryFile(dir=folder) as file:
        file.write(b"x")


def test_times_are_kept_and_room_is_reported(folder: Path) -> None:
    (folder / "f").write_bytes(b"x" * 10_000)
    os.utime(folder / "f", ns=(5, 7_000_000_007))
    os.chmod(folder / "f", 0o600)
    os.rename(folder / "f", folder / "g")
    found = (folder / "g").stat()
    assert (found.st_atime_ns, found.st_mtime_ns, found.st_mode & 0o777) == (5, 7_000_000_007, 0o600)
    before = shutil.disk_usage(folder)
    assert 3 << 20 < before.total < 4 << 20
    (folder / "h").write_bytes(b"y" * 100_000)
    assert 99_500 <= before.free - shutil.disk_usage(folder).free < 112_000  # whole pages, and some names


@needs("setpriv", package="util-linux")
def test_modes_hold_for_whoever_may_not_pass_over_them(folder: Path) -> None:
    (folder / "f").write_bytes(b"kept")
    (folder / "d").mkdir()
    os.chmod(folder / "f", 0o400)
    os.chmod(folder / "d", 0o555)
    (folder / "run").write_bytes(b"")
    os.chmod(folder / "run", 0o644)
    ordinary = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"] if os.geteuid() == 0 else []
    script = "echo x > f; echo y > d/g; test -w f || echo no; test -x run || echo no"
    done = subprocess.run([*ordinary, "sh", "-c", script], cwd=folder, capture_output=True, text=True, timeout=60)
    assert (done.stderr.count("ermission denied"), done.stdout) == (2, "no\nno\n"), done.stderr
    assert ((folder / "f").read_bytes(), os.listdir(folder / "d")) == (b"kept", [])
    assert not os.access(folder / "run", os.X_OK)


def test_a_removed_file_by_its_descriptor_is_not_the_new_one(folder: Path) -> None:
    with open(folder / "t", "wb+", buffering=0) as file:
        file.write(b"old")
        os.unlink(folder / "t")
        (folder / "t").write_bytes(b"the new one")
        with open(f"/proc/self/fd/{file.fileno()}", "rb+", buffering=0) as again:
            assert again.read() == b"old"
        os.truncate(f"/proc/self/fd/{file.fileno()}", 1)
        assert os.fstat(file.fileno()).st_size == 1
        with open(f"/proc/self/fd/{file.fileno()}", "wb", buffering=0) as again:
            again.write(b"more")
        assert os.pread(file.fileno(), 9, 0) == b"more"
    assert (folder / "t").read_bytes() == b"the new one"
    assert os.listdir(folder) == ["t"]


def test_files_and_holes_are_counted(folder: Path) -> None:
    (folder / "f").write_bytes(b"x" * 600)
    os.truncate(folder / "f", 200_000)
    assert ((folder / "f").stat().st_size, (folder / "f").stat().st_blocks) == (200_000, 2)
    before = os.statvfs(folder)
    (folder / "g").write_bytes(b"")
    assert before.f_files > before.f_ffree > 100
    assert os.statvfs(folder).f_ffree <= before.f_ffree


@pytest.mark.parametrize("journal", ["delete", "wal"])
def test_a_database(folder: Path, journal: str) -> None:
    file = folder / f"{journal}.db"
    with closing(sqlite3.connect(file)) as base:
        assert base.execute(f"pragma journal_mode={journal}").fetchone() == (journal,)
        base.execute("create table readings (at integer primary key, level real)")
        for day in range(5):
            with base:
                base.executemany("insert into readings values (?, ?)", [(day * 240 + at, at / 7) for at in range(240)])
        with base:
            base.execute("delete from readings where at % 3 = 0")
        base.execute("vacuum")
    with closing(sqlite3.connect(file)) as base:
        assert base.execute("pragma integrity_check").fetchall() == [("ok",)]
        assert base.execute("select count(*), max(at) from readings").fetchone() == (800, 1199)


@needs("rsync", package="rsync")
def test_rsync_of_a_tree(folder: Path) -> None:
    source = ROOT / "simfs/store/format"
    command = ["rsync", "-a", "--exclude=__pycache__", f"{source}/", f"{folder}/tree/"]
    subprocess.run(command, check=True, timeout=60)
    assert subprocess.run([*command, "-in"], check=True, timeout=60, capture_output=True, text=True).stdout == ""
    names = [path.name for path in source.glob("*.py")]
    assert len(names) > 5
    assert set(names) < set(os.listdir(folder / "tree"))
    assert filecmp.cmpfiles(source, folder / "tree", names, shallow=False) == (names, [], [])


def test_a_zip_written_and_read(place: Path) -> None:
    folder = place / "zipped"
    folder.mkdir()
    with zipfile.ZipFile(folder / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted((ROOT / "simfs/store").glob("*.py")):
            archive.write(path, path.name)
    with zipfile.ZipFile(folder / "a.zip") as archive:
        assert archive.testzip() is None
        archive.extractall(folder / "out")
        names = archive.namelist()
    assert filecmp.cmpfiles(ROOT / "simfs/store", folder / "out", names, shallow=False) == (names, [], [])


@needs("fio", package="fio")
@pytest.mark.parametrize("how", ["write", "randwrite"])
def test_fio_verifies_what_it_wrote(folder: Path, how: str) -> None:
    words = f"--rw={how} --bs=512 --size=64k --ioengine=psync --verify=crc32c --do_verify=1 --verify_fatal=1 --fsync=16"
    command = ["fio", "--name=check", f"--directory={folder}", "--output-format=json", *words.split()]
    done = subprocess.run(command, cwd=folder, check=True, timeout=60, capture_output=True, text=True)
    job = json.loads(done.stdout[done.stdout.index("{") :])["jobs"][0]
    assert (job["error"], job["write"]["io_bytes"], job["read"]["io_bytes"]) == (0, 65536, 65536)


def test_a_busy_mount_point_and_one_that_was_left(tmp_path: Path) -> None:
    with mounted(scenario_in(tmp_path), tmp_path / "mnt") as mount:
        with pytest.raises(CannotMount, match="something is mounted there already; unmount it"):
            check_directory(str(mount.path))
        mount.process.kill()
        mount.process.wait()
        with pytest.raises(CannotMount, match="not connected; if a mount was left there, fusermount3 -u it"):
            check_directory(str(mount.path))
        mount.unmount()


IN_THE_MOUNT = ("test_io", "test_fileio", "test_file", "test_zipfile")  # whole: none of their tests is left out


@pytest.mark.slow
@needs_cpython_tests()
@pytest.mark.parametrize("name", IN_THE_MOUNT)
def test_cpythons_own_tests_pass_inside_the_mount(tmp_path: Path, name: str) -> None:
    """As `python -m unittest test.NAME`, with the mount as working directory and as place for temporary files."""
    with mounted(scenario_in(tmp_path, "128 MiB"), tmp_path / "mnt", "--json") as mount:
        command = [sys.executable, "-m", "unittest", "-v", f"test.{name}"]
        where = {**os.environ, "TMPDIR": str(mount.path), "PYTHONDONTWRITEBYTECODE": "1"}
        done = subprocess.run(command, cwd=mount.path, env=where, capture_output=True, text=True, timeout=900)
        mount.unmount()
        status, output, errors = mount.end()
    assert done.returncode == 0, done.stderr[-5000:]
    ran = int(re.findall(r"^Ran ([0-9]+) tests", done.stderr, re.MULTILINE)[0])
    assert ran >= {"test_io": 500, "test_fileio": 80, "test_file": 30, "test_zipfile": 200}[name]
    assert (status, errors.count("\n")) == (0, 1), errors
    assert json.loads(output)["amplification"]["host_bytes"] > 100


@needs("fsck.fat", package="dosfstools")
def test_a_card_under_programs_and_again_from_its_image(tmp_path: Path) -> None:
    scenario, image = tmp_path / "card.toml", tmp_path / "card.img"
    scenario.write_text('[store]\nkind = "card"\nname_bytes = 200\n[card]\nsize = "8 MiB"\n')
    with mounted(scenario, tmp_path / "mnt", "--save-image", image) as mount:
        shutil.copytree(
            ROOT / "simfs" / "fat", mount.path / "A long name", ignore=shutil.ignore_patterns("__pycache__")
        )
        os.rename(mount.path / "A long name", mount.path / "moved")
        (mount.path / "empty" / "inside").mkdir(parents=True)
        shutil.rmtree(mount.path / "moved" / "card")
        assert (mount.path / "MOVED" / "fat.md").exists()
        mount.unmount()
        status, output, errors = mount.end()
    assert (status, errors.count("\n")) == (0, 1), errors
    assert "was not read from the card" in " ".join(output.split())
    assert "ended with the mount" not in output
    before = image.read_bytes()
    with mounted(image, tmp_path / "again", "--read-only") as mount:
        assert sorted(os.listdir(mount.path)) == ["empty", "moved"]
        assert os.listdir(mount.path / "empty") == ["inside"]
        compared = filecmp.dircmp(ROOT / "simfs" / "fat", mount.path / "moved", ignore=["__pycache__"])
        assert (compared.left_only, compared.right_only, compared.diff_files) == (["card"], [], [])
        mount.unmount()
        assert mount.end()[0] == 0
    assert fsck(before, image) == []
