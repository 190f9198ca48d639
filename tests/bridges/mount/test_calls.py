"""The calls of a mount, made directly: no kernel, no library. With them: test_bridge_mounted_fuse.py."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from itertools import count

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.bridges.mount.operations import Operations
from simfs.bridges.mount.store import CannotShow, MountedStore
from simfs.fat.card.card import Card
from simfs.files.card_store import CardConfig, CardStore
from simfs.files.contract import AnyStore, directories_of
from simfs.files.model import Model

NEW = os.O_RDWR | os.O_CREAT


def store_of(blocks: int = 32, **settings: object) -> Store:
    return Store.format(NorFlash(blocks), StoreConfig(**settings))  # type: ignore[arg-type]


def mount_of(store: AnyStore) -> Operations:
    """A mount whose clock moves on by a second at each look."""
    seconds = count(1_900_000_000)
    return Operations(MountedStore(store, (1000, 1000), lambda: next(seconds) * 10**9))


def on_card(kib: int = 1024, **settings: object) -> CardStore:
    return CardStore.format(Card(2 * kib), CardConfig(**settings))  # type: ignore[arg-type]


MAKERS: dict[str, Callable[[], AnyStore]] = {"log": store_of, "memory": Model, "card": on_card}


@pytest.fixture(params=MAKERS)
def calls(request: pytest.FixtureRequest) -> Operations:
    return mount_of(MAKERS[request.param]())


@pytest.fixture
def calls_on_flash() -> Operations:
    return mount_of(store_of())


def put(calls: Operations, path: str, data: bytes = b"x") -> None:
    handle = calls.create(path, 0o644, NEW)
    calls.write(None, data, 0, handle)
    calls.flush(None, handle)
    calls.release(None, handle)


def get(calls: Operations, path: str) -> bytes:
    handle = calls.open(path, os.O_RDONLY)
    data = calls.read(None, 1 << 20, 0, handle)
    calls.release(None, handle)
    return data


def names(calls: Operations, path: str) -> list[str]:
    handle = calls.opendir(path)
    found = [name for name, _, _ in calls.readdir(None, handle)]
    calls.releasedir(None, handle)
    assert found[:2] == [".", ".."]
    return found[2:]


def refused(number: int, call: Callable[..., object], *given: object) -> None:
    with pytest.raises(OSError, match=rf"Errno {number}\]"):
        call(*given)


def fill(calls: Operations, handle: int, piece: bytes) -> int:
    """Write until there is no room; how many bytes that took."""
    written = 0
    while True:
        try:
            written += calls.write(None, piece, written, handle)
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise
            return written


def test_what_is_written_is_in_the_store_under_its_path(calls: Operations) -> None:
    calls.mkdir("/log", 0o755)
    put(calls, "/log/a.csv", b"06:00,2.41\n")
    store = calls.mounted.store
    assert store.names() == ["/log/a.csv"]
    assert get(calls, "/log/a.csv") == store.open("/log/a.csv").read() == b"06:00,2.41\n"
    assert calls.getattr("/log/a.csv")["st_size"] == 11
    assert store.check() == []


@pytest.mark.parametrize("make", [store_of, on_card])
def test_directories_come_from_prefixes(make: Callable[[], AnyStore]) -> None:
    store = make()
    for name in ("/a/b/c", "/a/d", "/e"):
        store.open(name, "w").close()
    calls = mount_of(store)
    assert (names(calls, "/"), names(calls, "/a"), names(calls, "/a/b")) == (["a", "e"], ["b", "d"], ["c"])
    assert stat.S_ISDIR(calls.getattr("/a/b")["st_mode"])
    assert calls.getattr("/a")["st_nlink"] == 3
    refused(errno.ENOENT, calls.getattr, "/a/x")
    refused(errno.ENOTDIR, calls.getattr, "/e/x")


def test_a_store_of_names_without_a_slash_is_shown_and_goes_on_so() -> None:
    store = store_of()
    store.open("settings", "w").close()
    calls = mount_of(store)
    put(calls, "/new", b"1")
    calls.rename("/new", "/settings")
    assert store.names() == ["settings"]
    assert get(calls, "/settings") == b"1"


@pytest.mark.parametrize(
    ("there", "says"),
    [
        (["/a", "/a/b"], '"/a" is a file, and "/a/b" would need it as a directory'),
        (["a", "/b"], '"a" has no leading slash and others have one'),
        (["//a"], '"//a" has a part between slashes that is empty'),
        (["/a/../b"], 'empty, "." or ".."'),
        (["/a/"], '"/a/" has a part between slashes that is empty'),
    ],
)
def test_names_that_do_not_go_together_are_refused_with_the_reason(there: list[str], says: str) -> None:
    store = store_of()
    for name in there:
        store.open(name, "w").close()
    with pytest.raises(CannotShow, match="its names can't be shown as directories") as caught:
        mount_of(store)
    assert says in str(caught.value)


def test_names_that_collide_after_folding_are_refused() -> None:
    store = store_of(fold_case=True)
    store.open("/A", "w").close()
    store.open("/a/b", "w").close()
    with pytest.raises(CannotShow, match='"/a" is a file'):
        mount_of(store)


def test_empty_directories_live_until_the_end_and_are_reported_unless_the_store_keeps_them(calls: Operations) -> None:
    calls.mkdir("/kept", 0o755)
    calls.mkdir("/kept/in", 0o755)
    calls.mkdir("/gone", 0o755)
    calls.rmdir("/gone")
    calls.mkdir("/log", 0o755)
    put(calls, "/log/x")
    calls.unlink("/log/x")
    assert names(calls, "/") == ["kept", "log"]
    own = directories_of(calls.mounted.store)
    _, left = calls.mounted.finish("t", "s")
    assert left.empty_directories == (() if own else ("/kept/in", "/log"))
    assert own is None or own.directories() == ["/kept", "/kept/in", "/log"]
    assert calls.mounted.store.names() == []


def test_errors_are_those_of_posix(calls: Operations) -> None:
    put(calls, "/f")
    calls.mkdir("/d", 0o755)
    put(calls, "/d/g")
    refused(errno.ENOENT, calls.open, "/none", os.O_RDONLY)
    refused(errno.ENOENT, calls.create, "/none/x", 0o644, NEW)
    refused(errno.ENOTDIR, calls.create, "/f/x", 0o644, NEW)
    refused(errno.EEXIST, calls.create, "/f", 0o644, NEW | os.O_EXCL)
    refused(errno.EISDIR, calls.open, "/d", os.O_RDONLY)
    refused(errno.EISDIR, calls.unlink, "/d")
    refused(errno.ENOTDIR, calls.rmdir, "/f")
    refused(errno.ENOTEMPTY, calls.rmdir, "/d")
    refused(errno.EEXIST, calls.mkdir, "/f", 0o755)
    refused(errno.EISDIR, calls.rename, "/f", "/d")
    refused(errno.ENOTDIR, calls.rename, "/d", "/f")
    refused(errno.EINVAL, calls.rename, "/d", "/d/e")
    refused(errno.ENOENT, calls.rename, "/none", "/x")
    refused(errno.EEXIST, calls.rename, "/f", "/d/g", 1)
    refused(errno.EINVAL, calls.rename, "/f", "/d/g", 2)
    refused(errno.ENAMETOOLONG, calls.create, "/" + "n" * 47, 0o644, NEW)
    refused(errno.EPERM, calls.link, "/l", "/f")
    refused(errno.EPERM, calls.symlink, "/l", "/f")
    refused(errno.EPERM, calls.mknod, "/p", stat.S_IFIFO | 0o644, 0)
    refused(errno.EBADF, calls.read, None, 1, 0, 99)
    refused(errno.EISDIR, calls.truncate, "/d", 0)
    assert calls.mounted.store.names() == ["/d/g", "/f"]


def test_too_many_open_files() -> None:
    calls = mount_of(store_of(open_files_max=2))
    for path in ("/a", "/b"):
        calls.create(path, 0o644, NEW)
    refused(errno.EMFILE, calls.create, "/c", 0o644, NEW)
    calls.close_all()
    assert calls.mounted.store.files_open == 0


def test_truncating_appending_and_offsets(calls: Operations) -> None:
    put(calls, "/f", b"0123456789")
    appending = calls.open("/f", os.O_WRONLY | os.O_APPEND)
    assert calls.write(None, b"ab", 0, appending) == 2  # wherever the offset is
    calls.release(None, appending)
    assert get(calls, "/f") == b"0123456789ab"
    calls.truncate("/f", 4)
    handle = calls.open("/f", os.O_RDWR)
    calls.truncate(None, 6, handle)
    assert calls.read(None, 100, 2, handle) == b"23\0\0"
    calls.release(None, handle)
    calls.release(None, calls.open("/f", os.O_WRONLY | os.O_TRUNC))
    assert calls.getattr("/f")["st_size"] == 0
    handle = calls.open("/f", os.O_RDONLY)
    refused(errno.EBADF, calls.write, None, b"x", 0, handle)


def test_a_removed_file_keeps_its_bytes_while_it_is_open(calls: Operations) -> None:
    """As libfuse does it: a rename to a name of its own, and a removal of that at the last close."""
    handle = calls.create("/t", 0o600, NEW)
    calls.write(None, b"abc", 0, handle)
    calls.rename("/t", "/.fuse_hidden0000000700000001")
    refused(errno.ENOENT, calls.getattr, "/t")
    assert names(calls, "/") == []
    shape = calls.getattr("/.fuse_hidden0000000700000001")
    assert (shape["st_size"], shape["st_nlink"]) == (3, 0)
    assert calls.read(None, 10, 0, handle) == b"abc"
    assert calls.mounted.store.names() == []
    calls.release(None, handle)
    calls.unlink("/.fuse_hidden0000000700000001")
    refused(errno.ENOENT, calls.getattr, "/.fuse_hidden0000000700000001")
    assert calls.mounted.store.files_open == 0


@pytest.mark.parametrize("flags", [os.O_RDWR, os.O_RDWR | os.O_TRUNC])
def test_a_removed_file_opened_again_is_not_the_new_file_of_its_name(calls: Operations, flags: int) -> None:
    """As through /proc/self/fd: libfuse gives the name that it gave itself."""
    hidden = "/.fuse_hidden0000000700000005"
    first = calls.create("/t", 0o600, NEW)
    calls.write(None, b"old", 0, first)
    calls.rename("/t", hidden)
    put(calls, "/t", b"the new one")
    again = calls.open(hidden, flags)
    calls.write(None, b"+", calls.getattr(None, again)["st_size"], again)
    calls.release(None, first)
    assert calls.read(None, 99, 0, again) == (b"+" if flags & os.O_TRUNC else b"old+")
    calls.truncate(hidden, 0)
    assert calls.getattr(hidden)["st_size"] == calls.getattr(hidden)["st_blocks"] == 0
    calls.release(None, again)
    assert calls.getattr(hidden)["st_size"] == 0
    calls.unlink(hidden)
    assert get(calls, "/t") == b"the new one"
    assert calls.mounted.store.files_open == 0


def test_a_removed_file_that_is_only_read_can_t_be_opened_to_write(calls: Operations) -> None:
    hidden = "/.fuse_hidden0000000700000006"
    put(calls, "/t", b"old")
    handle = calls.open("/t", os.O_RDONLY)
    calls.rename("/t", hidden)
    put(calls, "/t", b"new")
    refused(errno.EACCES, calls.open, hidden, os.O_WRONLY)
    refused(errno.EACCES, calls.open, hidden, os.O_RDONLY | os.O_TRUNC)
    refused(errno.EACCES, calls.truncate, hidden, 0)
    again = calls.open(hidden, os.O_RDONLY)
    assert calls.read(None, 9, 0, again) == calls.read(None, 9, 0, handle) == b"old"
    assert get(calls, "/t") == b"new"


def test_renaming_onto_an_open_file_is_one_step_on_the_flash(calls_on_flash: Operations) -> None:
    calls = calls_on_flash
    put(calls, "/old", b"old")
    put(calls, "/new", b"new")
    handle = calls.open("/old", os.O_RDONLY)
    programs = calls.mounted.store.flash.programs
    calls.rename("/old", "/.fuse_hidden0000000700000002")
    calls.rename("/new", "/old")
    assert calls.mounted.store.flash.programs == programs + 1
    assert (get(calls, "/old"), calls.read(None, 9, 0, handle)) == (b"new", b"old")
    assert (names(calls, "/"), calls.mounted.store.names()) == (["old"], ["/old"])


def test_a_refused_rename_onto_an_open_file_leaves_both() -> None:
    calls = mount_of(store_of())
    put(calls, "/old", b"old")
    put(calls, "/n", b"new")
    calls.open("/old", os.O_RDONLY)
    calls.rename("/old", "/.fuse_hidden0000000700000003")
    real, calls.mounted.store.rename = calls.mounted.store.rename, _no_space  # type: ignore[method-assign]
    refused(errno.ENOSPC, calls.rename, "/n", "/old")
    calls.mounted.store.rename = real  # type: ignore[method-assign]
    assert names(calls, "/") == ["n", "old"]
    assert get(calls, "/old") == b"old"
    assert calls.mounted.store.names() == ["/n", "/old"]


def _no_space(*_: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_directory_is_renamed_with_all_its_files_or_not_at_all(calls: Operations) -> None:
    calls.mkdir("/d", 0o755)
    calls.mkdir("/d/sub", 0o755)
    for name in ("a", "sub/b"):
        put(calls, f"/d/{name}", name.encode())
    calls.rename("/d", "/other")
    assert calls.mounted.store.names() == ["/other/a", "/other/sub/b"]
    assert get(calls, "/other/sub/b") == b"sub/b"
    refused(errno.ENAMETOOLONG, calls.rename, "/other", "/" + "n" * 42)
    if directories_of(calls.mounted.store):
        return
    rename, done = calls.mounted.store.rename, iter([True, False, True])

    def failing(old: str, new: str) -> None:
        rename(old, new) if next(done) else _no_space()

    calls.mounted.store.rename = failing  # type: ignore[method-assign,assignment]
    refused(errno.ENOSPC, calls.rename, "/other", "/third")
    assert calls.mounted.store.names() == ["/other/a", "/other/sub/b"]
    assert get(calls, "/other/a") == b"a"


def test_times_modes_and_owners_are_kept_until_the_end(calls: Operations) -> None:
    put(calls, "/f")
    calls.utimens("/f", (5, 7))
    calls.chmod("/f", 0o600)
    calls.chown("/f", 12, -1)
    calls.rename("/f", "/g")
    shape = calls.getattr("/g")
    assert (shape["st_atime"], shape["st_mtime"], shape["st_uid"], shape["st_gid"]) == (5, 7, 12, 1000)
    assert shape["st_mode"] == stat.S_IFREG | 0o600
    calls.utimens("/g", ((1 << 30) - 2, (1 << 30) - 1))  # UTIME_OMIT, UTIME_NOW
    assert calls.getattr("/g")["st_atime"] == 5
    assert calls.getattr("/g")["st_mtime"] > 1_900_000_000 * 10**9
    handle = calls.open("/g", os.O_WRONLY)
    before = calls.getattr("/g")["st_mtime"]
    calls.write(None, b"y", 0, handle)
    assert calls.getattr("/g")["st_mtime"] > before


def test_a_directory_hands_its_group_on_where_its_mode_says_so(calls: Operations) -> None:
    calls.mkdir("/d", 0o755)
    calls.chown("/d", -1, 77)
    calls.chmod("/d", 0o2750)
    put(calls, "/d/f")
    calls.mkdir("/d/e", 0o755)
    assert (calls.getattr("/d/f")["st_gid"], calls.getattr("/d/f")["st_mode"] & 0o7777) == (77, 0o644)
    assert (calls.getattr("/d/e")["st_gid"], calls.getattr("/d/e")["st_mode"] & 0o7777) == (77, 0o2755)


@pytest.mark.parametrize(
    "settings", [{}, {"packing": "page"}, {"buffer_bytes": 64}, {"buffer_bytes": 1024}, {"log_heads": 2}]
)
def test_statfs_says_how_much_one_more_file_can_hold(settings: dict[str, object]) -> None:
    calls = mount_of(store_of(**settings))
    put(calls, "/there", b"t" * 5000)
    room = calls.statfs("/")
    free_bytes = room["f_bavail"] * room["f_frsize"]
    handle = calls.create("/more", 0o644, NEW)
    written = fill(calls, handle, b"m" * 64)
    headers = 32 * 20  # one that each block may take; and whole pages are told
    assert free_bytes <= written < free_bytes + room["f_frsize"] + 64 + headers
    assert calls.statfs("/")["f_bavail"] == 0
    calls.release(None, handle)
    calls.unlink("/more")
    assert 0 <= room["f_bavail"] - calls.statfs("/")["f_bavail"] <= 1  # a removed name may still have to be told


@pytest.mark.parametrize("settings", [{}, {"packing": "page"}, {"name_bytes": 250}])
def test_statfs_says_how_many_more_files_there_may_be(settings: dict[str, object]) -> None:
    calls = mount_of(store_of(12, **settings))
    put(calls, "/there", b"t" * 500)
    room = calls.statfs("/")
    assert room["f_files"] == room["f_ffree"] + 1
    assert room["f_ffree"] == room["f_favail"] > 15
    longest = int(settings.get("name_bytes", 48)) - 2  # type: ignore[call-overload]
    for number in range(room["f_ffree"]):
        put(calls, "/" + f"{number}".zfill(longest), b"")
    assert calls.statfs("/")["f_files"] >= room["f_files"]


def test_holes_are_no_blocks(calls_on_flash: Operations) -> None:
    calls = calls_on_flash
    handle = calls.create("/f", 0o644, NEW)
    assert calls.getattr("/f")["st_blocks"] == 0
    calls.write(None, b"x" * 600, 0, handle)
    calls.truncate(None, 50_000, handle)
    assert (calls.getattr("/f")["st_size"], calls.getattr("/f")["st_blocks"]) == (50_000, 2)
    calls.write(None, b"y", 60_000, handle)  # it waits, after a second hole
    assert (calls.getattr("/f")["st_size"], calls.getattr("/f")["st_blocks"]) == (60_001, 2)
    calls.write(None, b"y" * 2000, 30_000, handle)
    calls.release(None, handle)
    assert calls.getattr("/f")["st_blocks"] == -(-2601 // 512)


def test_fallocate_is_refused_and_noted(calls: Operations) -> None:
    handle = calls.create("/f", 0o644, NEW)
    refused(errno.EOPNOTSUPP, calls.fallocate, None, 0, 0, 4096, handle)
    run, _ = calls.mounted.finish("t", "s")
    assert [(refusal.operation, refusal.name, refusal.count) for refusal in run.refusals] == [("fallocate", "/f", 1)]


def test_fsync_puts_what_waits_on_the_flash(calls_on_flash: Operations) -> None:
    calls = calls_on_flash
    handle = calls.create("/f", 0o644, NEW)
    calls.write(None, b"abc", 0, handle)
    assert Store.mount(NorFlash.from_image(calls.mounted.store.flash.image()), True).stat("/f").size_bytes == 0
    calls.fsync(None, 0, handle)
    assert Store.mount(NorFlash.from_image(calls.mounted.store.flash.image()), True).stat("/f").size_bytes == 3


def test_the_run_notes_operations_refusals_and_passing_time(calls: Operations) -> None:
    put(calls, "/f", b"12345")
    refused(errno.ENAMETOOLONG, calls.create, "/" + "n" * 47, 0o644, NEW)
    run, _ = calls.mounted.finish("title", "source")
    tally = run.tasks["(host)"]
    assert (tally.operations["open"], tally.operations["write"], tally.host_bytes, tally.refused) == (2, 1, 5, 1)
    assert run.duration_ns > 5 * 10**9
    assert [fault.name for fault in run.name_faults] == ["/" + "n" * 47]
    assert (run.title, run.source, run.kind) == ("title", "source", "mount")


def test_names_that_the_store_cuts_are_found_under_either_name() -> None:
    calls = mount_of(store_of(name_bytes=8, overlong="cut"))
    put(calls, "/0123456789", b"cut")
    assert calls.mounted.store.meters.names_cut == 1  # to look a name up is no use of it
    assert names(calls, "/") == ["012345"]
    assert get(calls, "/0123456789") == get(calls, "/012345") == b"cut"
    put(calls, "/0123456xyz", b"CUT")  # the same file: that is what cutting does to a firmware
    assert get(calls, "/012345") == b"CUT"
    calls.unlink("/0123456789")
    assert (names(calls, "/"), calls.mounted.store.names()) == ([], [])
    calls.mkdir("/d", 0o755)
    put(calls, "/d/x")
    refused(errno.EXDEV, calls.rename, "/d", "/e")


def test_a_name_that_is_cut_is_no_collision_with_itself() -> None:
    def faults(*paths: str) -> list[tuple[str, str]]:
        calls = mount_of(store_of(name_bytes=8, overlong="cut"))
        for path in paths:
            put(calls, path, b"1")
            put(calls, "/" + names(calls, "/")[0], b"2")  # as a program does that lists the directory
        calls.rename(paths[0], "/other")
        return [(fault.name, fault.why) for fault in calls.mounted.finish("title", "source")[0].name_faults]

    too_long = ("/0123456789", "it has 11 bytes, 7 fit")
    assert faults("/0123456789") == [too_long]
    assert faults("/0123456789", "/0123456xyz") == [
        too_long,
        ("/0123456xyz", "it has 11 bytes, 7 fit"),
        ("/0123456xyz", 'after cutting it is the same as "/0123456789"'),
    ]


def test_two_names_of_a_rename_are_not_one_long_name() -> None:
    calls = mount_of(store_of())
    put(calls, "/" + "a" * 40)
    calls.rename("/" + "a" * 40, "/" + "b" * 40)
    refused(errno.ENAMETOOLONG, calls.rename, "/" + "b" * 40, "/" + "c" * 50)
    assert [fault.name for fault in calls.mounted.finish("title", "source")[0].name_faults] == ["/" + "c" * 50]


def test_names_that_fold_are_one_file_and_keep_their_case() -> None:
    calls = mount_of(store_of(fold_case=True))
    calls.mkdir("/Log", 0o755)
    put(calls, "/Log/A.csv", b"1")
    assert get(calls, "/LOG/a.CSV") == b"1"
    assert names(calls, "/log") == ["A.csv"]
    calls.rename("/log/a.csv", "/log/a.csv")
    assert names(calls, "/log") == ["a.csv"]
    assert calls.mounted.finish("title", "source")[0].name_faults == []
    calls.unlink("/LOG/A.CSV")
    assert (names(calls, "/log"), calls.mounted.store.names()) == ([], [])


def test_a_read_only_store_refuses_changes() -> None:
    store = store_of()
    store.open("/f", "w").close()
    calls = mount_of(Store.mount(NorFlash.from_image(store.flash.image()), read_only=True))
    refused(errno.EROFS, calls.create, "/g", 0o644, NEW)
    refused(errno.EROFS, calls.unlink, "/f")
    refused(errno.EROFS, calls.rename, "/f", "/g")
    handle = calls.open("/f", os.O_RDONLY)
    calls.rename("/f", "/.fuse_hidden0000000700000004")  # a removal, which can only be refused afterwards
    calls.release(None, handle)
    assert names(calls, "/") == ["f"]
