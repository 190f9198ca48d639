"""Calls on a store and its open files, told to a listener; who is told changes nothing."""

from __future__ import annotations

import errno
import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.files.heard import FileCall


class Listener:
    """Keeps what it was told, and how it ended."""

    def __init__(self) -> None:
        self.calls: list[FileCall] = []
        self.errors: list[int] = []
        self.within = 0

    @contextmanager
    def call(self, call: FileCall) -> Iterator[None]:
        self.calls.append(call)
        assert not self.within, "a call is told once, whatever it does within"
        self.within += 1
        try:
            yield
        except OSError as error:
            self.errors.append(error.errno or 0)
            raise
        finally:
            self.within -= 1


def new_store() -> tuple[Store, Listener]:
    store = Store.format(NorFlash(8, 512, 64), StoreConfig(buffer_bytes=32, name_bytes=12, idle_cleaning=True))
    listener = Listener()
    store.listen_to_calls(listener)
    return store, listener


def test_calls_on_an_open_file() -> None:
    store, listener = new_store()
    with store.open("/a", "w+") as file:
        file.write(b"first")
        file.seek(2)
        file.write(bytearray(b"xy"))
        file.truncate()
        file.truncate(9)
        file.flush()
        file.seek(0)
        assert file.read() == b"fixy" + bytes(5)
        assert (file.name, file.mode) == ("/a", "wb+")
        assert file.readable() == file.writable() == file.seekable() == True  # noqa: E712
    assert file.closed
    file.close()
    second = store.open("/a", "a")
    second.write(b"end")
    assert second.tell() == 12
    second.close()
    reads = [call for call in listener.calls if call.kind == "read"]
    assert reads
    assert reads == [FileCall("read", handle=1)] * len(reads)
    assert [call for call in listener.calls if call.kind != "read"] == [
        FileCall("open", "/a", 1, "w+"), FileCall("write", handle=1, at=0, data=b"first"),
        FileCall("write", handle=1, at=2, data=b"xy"), FileCall("truncate", handle=1, at=4),
        FileCall("truncate", handle=1, at=9), FileCall("flush", handle=1), FileCall("close", handle=1),
        FileCall("open", "/a", 2, "a"), FileCall("write", handle=2, at=-1, data=b"end"), FileCall("close", handle=2),
    ]  # fmt: skip
    assert listener.errors == []


def test_calls_that_go_by_the_name() -> None:
    """Names are told whole: with the prefix, and not cut."""
    store, listener = new_store()
    store.prefix = "/"
    store.open(b"a", "x").close()
    store.truncate("a", 3)
    store.rename("a", "/b")
    store.remove("b")
    store.idle(1000)
    listener.calls = listener.calls[2:]
    assert listener.calls == [
        FileCall("truncate", "/a", at=3), FileCall("rename", "/a", to="/b"), FileCall("remove", "/b"),
        FileCall("idle", at=1000),
    ]  # fmt: skip


def test_listeners_stay_over_a_boot_and_handles_go_on() -> None:
    store, listener = new_store()
    lost = store.open("/a", "w")
    lost.write(b"waits")
    store = store.boot()
    assert lost.closed
    lost.close()
    store.open("/b", "w").close()
    assert [(call.kind, call.handle) for call in listener.calls] == [
        ("open", 1), ("write", 1), ("mount", 0), ("open", 2), ("close", 2),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("number", "refused"),
    [
        (errno.ENOENT, lambda store: store.open("/none")),
        (errno.ENOENT, lambda store: store.remove("/none")),
        (errno.ENOENT, lambda store: store.rename("/none", "/b")),
        (errno.EINVAL, lambda store: store.truncate("/a", -1)),
        (errno.ENAMETOOLONG, lambda store: store.open("/far-too-long-a-name", "w")),
        (errno.ENOSPC, lambda store: store.open("/a", "r+").write(bytes(9000))),
        (errno.EBADF, lambda store: store.open("/a").write(b"x")),
    ],
)
def test_what_is_refused_is_told_and_raised(number: int, refused: Callable[[Store], object]) -> None:
    store, listener = new_store()
    store.open("/a", "w").close()
    with pytest.raises(OSError) as raised:  # noqa: PT011
        refused(store)
    assert raised.value.errno == number
    assert listener.errors == [number]
    store.open("/a").close()  # it goes on being told
    assert listener.calls[-1].kind == "close"


def test_streams_of_python_work_on_a_file_that_is_heard() -> None:
    store, listener = new_store()
    with io.TextIOWrapper(io.BufferedWriter(store.open("/t", "w")), encoding="utf-8") as text:
        text.write("one\ntwo\n")
    with io.TextIOWrapper(io.BufferedReader(store.open("/t")), encoding="utf-8") as text:
        assert text.readlines() == ["one\n", "two\n"]
    assert b"".join(call.data for call in listener.calls) == b"one\ntwo\n"


def test_a_store_that_is_heard_does_what_it_would_have_done() -> None:
    images = []
    for heard in (True, False):
        store, _ = new_store()
        if not heard:
            store._calls = None
        for number in range(60):
            with store.open(f"/{number % 3}", "w") as file:
                file.write(bytes([number]) * 20)
            if number % 20 == 9:
                store.remove("/1")
            if number % 20 == 19:
                store = store.boot()
        images.append(store.flash.image())
    assert images[0] == images[1]
