"""One recorded run: what reached the flash, and what each call made durable."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Counts
from simfs.replay.play import replay
from simfs.replay.recorded.strace.recording import replay_recording
from simfs.study.cuts.notes.history import Contents, History, read_all
from simfs.study.cuts.notes.recorder import Recorder, record
from tests.support.places import SCENARIOS


def new_store(**settings: object) -> Store:
    flash = NorFlash(8, 1024, 64)
    return Store.format(flash, StoreConfig(**{"buffer_bytes": 32, "name_bytes": 12, **settings}))


def durable(history: History) -> list[Contents]:
    """The durable contents after each event."""
    return [history.contents_after(event) for event in range(len(history.events) + 1)]


def chip_at_the_end(history: History) -> bytes:
    """The cells after all that was noted."""
    cells = bytearray(history.image)
    for address, data in (operation.change for operation in history.operations):
        size = history.geometry.block_bytes if data is None else len(data)
        for at in range(size):
            cells[address + at] = 255 if data is None else cells[address + at] & data[at]
    return bytes(cells)


def after_cut(history: History) -> Contents:
    """What the flash holds at the end, found by a mount."""
    flash = NorFlash.from_image(chip_at_the_end(history), datasheet=history.datasheet)
    return read_all(Store.mount(flash, read_only=True))


def test_each_spill_is_an_event_and_waiting_bytes_are_not() -> None:
    def work(store: Store) -> None:
        with store.open("a", "w") as file:
            file.write(b"x" * 70)
            assert read_all(Store.mount(NorFlash.from_image(store.flash.image(), datasheet=store.flash.datasheet))) == {
                "a": b"x" * 64
            }
            file.write(b"y")

    history = record(new_store(), work)
    assert durable(history) == [{}, {"a": b""}, {"a": b"x" * 32}, {"a": b"x" * 64}, {"a": b"x" * 70 + b"y"}]
    assert [call.kind for call in history.calls] == ["open", "write", "write", "close"]
    assert [history.events_in(call) for call in range(4)] == [(0, 1), (1, 3), (3, 3), (3, 4)]
    assert history.allowed(len(history.operations) - 1) == (3, 4)


def test_a_refused_write_spills_what_waited_before_it() -> None:
    """Bytes that a write elsewhere can't join are spilled before the write asks for room."""

    def work(store: Store) -> None:
        with store.open("a", "w") as file:
            file.write(b"waits")
            file.seek(5000)
            with pytest.raises(OSError, match="No space"):
                file.write(b"z" * 5000)

    history = record(new_store(), work)
    refused = next(number for number, call in enumerate(history.calls) if call.error)
    assert history.calls[refused].error == "ENOSPC"
    assert history.contents_after(history.events_in(refused)[1]) == {"a": b"waits"}
    assert after_cut(history) == {"a": b"waits"}


def by_name(store: Store) -> None:
    """Everything that can be done to names."""
    for name, data in (("a", b"first"), ("b", b"second"), ("B", b"third")):
        with store.open(name, "w") as file:
            file.write(data)
    store.rename("a", "b")
    store.rename("b", "b")
    store.truncate("b", 2)
    store.truncate("b", 9)
    store.truncate("b", 9)
    with suppress(FileNotFoundError):
        store.remove("nobody")
    store.prefix = "/"
    store.open("c", "x").close()
    store.rename("c", "/b")


def by_handle(store: Store) -> None:
    """Files that go on under another name, or none; two handles; appends; gaps."""
    first = store.open("a", "w+")
    first.write(b"0123456789" * 3)
    second = store.open("a", "a")
    second.write(b"end")
    store.rename("a", "z")
    first.seek(50)
    first.write(b"behind a gap")
    first.truncate(40)
    store.remove("z")
    first.write(b"lost" * 20)
    first.close()
    with store.open("z", "w") as other:
        other.write(b"another z")
    second.write(b"lost too")
    second.close()
    lost = store.open("z", "r+")
    lost.write(b"waits until the store boots")
    store = store.boot()
    lost.close()
    with store.open("y", "w") as last:
        last.write(b"y")


@pytest.mark.parametrize("work", [by_name, by_handle])
@pytest.mark.parametrize("settings", [{}, {"fold_case": True}, {"packing": "page", "buffer_bytes": None}])
def test_the_model_ends_where_the_flash_does(work: Callable[[Store], None], settings: dict[str, object]) -> None:
    history = record(new_store(**settings), work)
    assert history.contents_after(len(history.events)) == after_cut(history)
    assert all(first <= last for first, last in map(history.events_in, range(len(history.calls))))


def test_a_run_may_begin_on_a_store_with_files() -> None:
    store = new_store()
    by_name(store)
    history = record(store, lambda watched: watched.remove("/b"))
    assert dict(history.contents) == {"b": b"fi" + bytes(7), "B": b"third", "/b": b""}
    assert [call.kind for call in history.calls] == ["mount", "remove"]
    assert len(history.events) == 1
    assert after_cut(history) == history.contents_after(1)


SCRIPT = """
from simfs import NorFlash, Store, StoreConfig
from simfs.replay.device.task_files import DeviceTask

def store():
    return Store.format(NorFlash(8, 1024, 64), StoreConfig(buffer_bytes=32, name_bytes=12))

def run(device):
    task = DeviceTask(device, "log")
    for number in range(60):
        task.append("log", b"line")
        if number % 20 == 19:
            task.rename("log", "old")
            device.boot()
"""


@pytest.mark.parametrize("name", ["breaking_names.toml", "script.py"])
def test_scenarios_and_scripts_are_recorded(name: str, tmp_path: Path) -> None:
    (tmp_path / "script.py").write_text(SCRIPT)
    recorder = Recorder()
    run = replay((tmp_path if name == "script.py" else SCENARIOS) / name, observers=[recorder])
    history = recorder.history(name)
    done = run.flash.counts - Counts(*run.first)
    assert len(history.operations) == done.programs + done.erases > 60
    assert sum(call.kind == "mount" for call in history.calls) == (3 if name == "script.py" else 0)
    left = Store.mount(NorFlash.from_image(run.flash.image(), datasheet=history.datasheet), read_only=True)
    assert read_all(left) == history.contents_after(len(history.events))


def test_recordings_are_recorded(tmp_path: Path) -> None:
    lines = """
        7 1.0 openat(AT_FDCWD, "/d/log", O_WRONLY|O_CREAT|O_APPEND, 0666) = 3</d/log>
        7 1.1 write(3</d/log>, "one\\n", 4) = 4
        7 1.2 fsync(3</d/log>) = 0
        7 1.3 write(3</d/log>, "two\\n", 4) = 4
        7 1.4 close(3</d/log>) = 0
    """
    path = tmp_path / "log.strace"
    path.write_text("\n".join(line.strip() for line in lines.strip().splitlines()) + "\n")
    history = record(new_store(), lambda store: replay_recording(path, store, directory="/d"))
    assert durable(history)[1:] == [{"/log": b""}, {"/log": b"one\n"}, {"/log": b"one\ntwo\n"}]


def test_a_run_on_a_new_store_is_the_run_that_would_have_been() -> None:
    """It is not mounted first, which would leave its log another tail."""
    plain = new_store()
    by_name(plain)
    history = record(new_store(), by_name)
    cells = chip_at_the_end(history)
    assert cells == plain.flash.image()


def test_a_history_can_go_to_another_process() -> None:
    history = record(new_store(), by_handle, "work")
    assert pickle.loads(pickle.dumps(history)) == history
