"""A mounted card: directories are on it, and names go by any case and by short ones. No kernel."""

from __future__ import annotations

import errno
import os
import random
from contextlib import suppress
from pathlib import Path

import pytest

from simfs.bridges.mount.operations import Operations
from simfs.fat.card.card import Card
from simfs.files.card_store import CardConfig, CardStore
from tests.bridges.mount.test_calls import NEW, get, mount_of, names, on_card, put, refused
from tests.fat.volumes import SIZES, contents, fsck, needs_fsck, new_store


@pytest.fixture
def calls() -> Operations:
    return mount_of(on_card(name_bytes=200))


def on_the_card(calls: Operations) -> CardStore:
    """What somebody finds who puts the card into another device."""
    store = calls.mounted.store
    assert isinstance(store, CardStore)
    assert store.check() == []
    return CardStore.mount(Card.from_image(store.card.image()), CardConfig(name_bytes=200))


def test_directories_are_on_the_card(calls: Operations) -> None:
    calls.mkdir("/log", 0o755)
    calls.mkdir("/log/2031 April", 0o755)
    calls.mkdir("/gone", 0o755)
    calls.rmdir("/gone")
    assert on_the_card(calls).directories() == ["/log", "/log/2031 April"]
    again = mount_of(on_the_card(calls))
    assert names(again, "/") == ["log"]
    assert names(again, "/log") == ["2031 April"]
    refused(errno.ENOTEMPTY, again.rmdir, "/log")


def test_a_directory_is_renamed_in_one_step_whatever_is_in_it(calls: Operations) -> None:
    calls.mkdir("/log", 0o755)
    calls.mkdir("/old", 0o755)
    for number in range(30):
        put(calls, f"/log/{number}.csv", b"%d" % number)
    store = calls.mounted.store
    assert isinstance(store, CardStore)
    writes = store.card.writes
    calls.rename("/log", "/old/the log of April")
    assert store.card.writes - writes <= 4  # the new entry, the way back, the old entry
    assert get(calls, "/old/the log of April/7.csv") == b"7"
    assert on_the_card(calls).directories() == ["/old", "/old/the log of April"]
    assert len(on_the_card(calls).names()) == 30
    refused(errno.EINVAL, calls.rename, "/old", "/old/the log of April/old")
    calls.rename("/old", "/OLD")
    assert names(calls, "/") == ["OLD"]
    assert on_the_card(calls).directories() == ["/OLD", "/OLD/the log of April"]


def test_an_empty_directory_is_replaced(calls: Operations) -> None:
    for path in ("/one", "/two", "/one/in"):
        calls.mkdir(path, 0o755)
    refused(errno.ENOTEMPTY, calls.rename, "/two", "/one")
    calls.rename("/one", "/two")
    assert on_the_card(calls).directories() == ["/two", "/two/in"]


def test_a_short_name_is_another_spelling(calls: Operations) -> None:
    put(calls, "/A long name.txt", b"long")
    assert get(calls, "/ALONGN~1.TXT") == b"long"
    assert get(calls, "/a LONG name.TXT") == b"long"
    refused(errno.EEXIST, calls.mkdir, "/alongn~1.txt", 0o755)
    refused(errno.ENOENT, calls.getattr, "/ALONGN~2.TXT")
    refused(errno.ENOENT, calls.getattr, "/none/no~1")
    put(calls, "/b", b"b")
    calls.rename("/b", "/ALONGN~1.TXT")
    assert names(calls, "/") == ["ALONGN~1.TXT"]
    assert on_the_card(calls).names() == ["/" + name for name in names(calls, "/")]


def test_a_removed_file_that_is_open_does_not_hold_its_directory(calls: Operations) -> None:
    calls.mkdir("/d", 0o755)
    handle = calls.create("/d/t", 0o600, NEW)
    calls.write(None, b"abc", 0, handle)
    calls.rename("/d/t", "/d/.fuse_hidden0000000700000001")
    calls.rmdir("/d")
    assert calls.read(None, 9, 0, handle) == b"abc"
    calls.release(None, handle)
    assert on_the_card(calls).directories() == []
    assert on_the_card(calls).usage().live_bytes == 0


@pytest.mark.parametrize("name", ["/a:b", "/a?", "/a\\b", "/end.", "/end ", "/a\nb", "/\udc80"])
def test_names_that_no_directory_can_hold(calls: Operations, name: str) -> None:
    refused(errno.EINVAL, calls.mkdir, name, 0o755)
    refused(errno.EINVAL, calls.create, name, 0o644, NEW)
    assert names(calls, "/") == []


def test_a_full_card_makes_no_directory() -> None:
    calls = mount_of(on_card(64))
    with suppress(OSError):
        for number in range(200):
            calls.mkdir(f"/{number}", 0o755)
    refused(errno.ENOSPC, calls.mkdir, "/one more", 0o755)
    assert calls.mounted.store.check() == []
    calls.rmdir("/0")
    calls.mkdir("/one more", 0o755)


@needs_fsck
@pytest.mark.parametrize("kind", SIZES)
def test_random_work_in_directories(kind: str, tmp_path: Path) -> None:
    calls, rng = mount_of(new_store(kind)), random.Random(kind)
    folders = ["", "/a", "/a/Long Name", "/b", "/b/c"]
    for _ in range(150):
        path, other = (rng.choice(folders) + rng.choice(("/f", "/G.TXT", "/another long name", "")) for _ in range(2))
        do = rng.choice(("mkdir", "put", "put", "rename", "rmdir", "unlink"))
        with suppress(OSError):
            if do == "put":
                put(calls, path, rng.randbytes(rng.randrange(3000)))
            elif do == "rename":
                calls.rename(path, other)
            elif do == "mkdir":
                calls.mkdir(rng.choice(folders), 0o755)
            elif do == "rmdir":
                calls.rmdir(rng.choice(folders[1:]))
            else:
                calls.unlink(path)
    store = calls.mounted.store
    assert isinstance(store, CardStore)
    assert store.check() == []
    assert fsck(store.card.image(), tmp_path / "image") == []
    again = CardStore.mount(Card.from_image(store.card.image()), store.config)
    assert contents(again) == {name: get(calls, name) for name in store.names()}
    shown = {os.path.join(path, name) for path in ["/", *again.directories()] for name in names(calls, path)}
    assert shown == {*again.names(), *again.directories()}
