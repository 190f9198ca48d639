"""What observers are told of a run: operations with their times and refusals, and within them what the store does."""

from __future__ import annotations

import errno
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.files.contract import AnyStore
from simfs.flash import Counts
from simfs.replay.device.device import Device, Run
from simfs.replay.device.observer import BOOT_TASK, IDLE_TASK, Observer
from simfs.replay.device.task_files import DeviceTask
from simfs.replay.play import replay
from simfs.replay.recorded.console.log import replay_console_log
from simfs.replay.recorded.strace.recording import replay_recording
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause
from tests.replay.shipped import played
from tests.support.places import SCENARIOS


class Diary(Observer):
    """Everything in one list, in the order in which it was told."""

    def __init__(self) -> None:
        self.told: list[Any] = []

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self.told.append(("begins", task, operation, name, at_ns))

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        self.told.append(("ends", task, operation, name, at_ns, refused))

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        self.told.append(("programmed", cause))

    def erased(self, block: int, cause: Cause) -> None:
        self.told.append(("erased", cause))

    def block_changed(self, block: int, before: State, after: State) -> None:
        self.told.append(("block", before, after))

    def of(self, what: str) -> list[Any]:
        return [rest for kind, *rest in map(list, self.told) if kind == what]


def new_device(diary: Diary, **settings: object) -> Device:
    config = StoreConfig(buffer_bytes=100, name_bytes=16, **settings)
    return Device(Store.format(NorFlash(8, 1024, 64), config), start_ns=1000, observers=[diary])


def test_an_operation_begins_and_ends_with_what_it_did_between() -> None:
    diary = Diary()
    device = new_device(diary)
    DeviceTask(device, "log").append("/a", b"x" * 50)
    taken_ns = device.tasks["log"].busy_ns
    assert diary.told[0] == ("begins", "log", "append", "/a", 1000)
    assert diary.told[-1] == ("ends", "log", "append", "/a", 1000 + taken_ns, 0)
    causes = [cause for _, cause in diary.told[1:-1]]
    assert causes == [
        Cause.LOG_RECORD,
        *[Cause.NAME] * 2,
        *[Cause.DATA] * 2,
    ]  # NEXT, which wakes the log; two pages each
    assert device.tasks["log"].programs == 5


def test_a_refusal_comes_with_its_errno() -> None:
    diary = Diary()
    device = new_device(diary)
    task = DeviceTask(device, "log")
    task.remove("/none")
    task.write("/a", b"x" * 9000)
    task.read("/a")
    assert [end[-1] for end in diary.of("ends")] == [errno.ENOENT, errno.ENOSPC, 0]
    assert task.refused == 2


def test_an_operation_within_another_begins_and_ends_within_it() -> None:
    diary = Diary()
    device = new_device(diary)
    inner = DeviceTask(device, "inner")
    device.perform("outer", "both", "", lambda: inner.remove("/none"), writes=True)
    assert [(what, task) for what, task, *_ in diary.told] == [
        ("begins", "outer"), ("begins", "inner"), ("ends", "inner"), ("ends", "outer"),
    ]  # fmt: skip
    assert [end[-1] for end in diary.of("ends")] == [errno.ENOENT, 0]


def test_a_with_block_is_an_operation_and_raises_what_the_store_refuses() -> None:
    diary = Diary()
    device = new_device(diary)
    with device.operation("t", "open", "/a", writes=True):
        device.store.open("/a", "w").close()
    with pytest.raises(FileNotFoundError), device.operation("t", "open", "/b", writes=False):
        device.store.open("/b")
    assert [(name, refused) for _, _, name, _, refused in diary.of("ends")] == [("/a", 0), ("/b", errno.ENOENT)]
    assert device.tasks["t"].operations == {"open": 2}
    assert device.tasks["t"].refused == 1


def test_what_was_done_is_told_though_a_cut_ends_it() -> None:
    """An operation that does not return has no end."""
    diary = Diary()
    device = new_device(diary)
    with pytest.raises(ZeroDivisionError):
        device.perform("t", "odd", "", lambda: 1 // 0, writes=False)
    assert [what for what, *_ in diary.told] == ["begins"]


def test_a_boot_is_an_operation_and_the_observer_goes_on() -> None:
    diary = Diary()
    device = new_device(diary)
    task = DeviceTask(device, "log")
    task.append("/a", b"x")
    diary.told.clear()
    device.boot()
    assert diary.told[0][:3] == ("begins", BOOT_TASK, "boot")
    assert diary.told[-1] == ("ends", BOOT_TASK, "boot", "", device.now_ns, 0)
    assert {cause for (cause,) in diary.of("programmed")} == {Cause.RECOVERY}
    diary.told.clear()
    task.append("/a", b"x")
    assert {cause for (cause,) in diary.of("programmed")} == {Cause.LOG_RECORD, Cause.DATA}


def test_a_boot_that_finds_no_store_is_refused() -> None:
    diary = Diary()
    device = new_device(diary)
    for block in range(8):
        device.flash.erase(block)
    with pytest.raises(OSError, match="no store"):
        device.boot()
    assert diary.told[-1][-1] == errno.EIO


def test_idle_time_is_an_operation_where_a_store_takes_it() -> None:
    diary = Diary()
    device = new_device(diary, idle_cleaning=True)
    before = device.flash.erases
    task = DeviceTask(device, "log")
    for _ in range(60):
        task.write("/a", b"x" * 90)
        device.wait_until(device.now_ns + 10**9)
    ends = Counter(task for task, *_ in diary.of("ends"))
    assert ends == {"log": 60, IDLE_TASK: 60}
    assert Cause.RELOCATION not in {cause for (cause,) in diary.of("erased")}
    assert len(diary.of("erased")) == device.flash.erases - before > 3


@pytest.mark.together
@pytest.mark.parametrize("name", ["breaking_names.toml", "uplink.py"])
def test_an_observed_run_is_the_run_that_would_have_been(name: str) -> None:
    diary = Diary()
    assert_observed(replay(SCENARIOS / name, observers=[diary]), played(name).run, diary)


def test_so_is_one_with_boots_of_a_store_that_is_always_cleaned(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text((SCENARIOS / path.name).read_text().replace('duration = "90 d"', 'duration = "15 d"'))
    diary = Diary()
    run = replay(path, observers=[diary])
    assert len(run.boots) > 10
    assert_observed(run, replay(path), diary)


def assert_observed(run: Run, plain: Run, diary: Diary) -> None:
    """Both did the same, and what the diary was told adds up to what the run notes."""
    assert run.flash.image() == plain.flash.image()
    assert (run.tasks, run.refusals, run.boots, run.writes) == (plain.tasks, plain.refusals, plain.boots, plain.writes)
    operations: dict[str, Counter[str]] = {}
    for task, operation, *_ in diary.of("ends"):
        operations.setdefault(str(task), Counter())[str(operation)] += 1
    boots = operations.pop(BOOT_TASK, Counter())
    assert boots.total() == len(run.boots) - 1
    assert operations == {task: tally.operations for task, tally in run.tasks.items()}
    refused = Counter(task for task, *_, error in diary.of("ends") if error)
    assert refused == {task: tally.refused for task, tally in run.tasks.items() if tally.refused}
    spent = run.flash.counts - Counts(*run.first)
    assert (len(diary.of("programmed")), len(diary.of("erased"))) == (spent.programs, spent.erases)
    assert [begin[:3] for begin in diary.of("begins")] == [end[:3] for end in diary.of("ends")]


def test_recordings_are_observed(tmp_path: Path) -> None:
    calls = tmp_path / "calls"
    calls.write_text(
        '7 1.0 openat(AT_FDCWD, "/d/log", O_WRONLY|O_CREAT|O_APPEND, 0666) = 3</d/log>\n'
        '7 1.1 write(3</d/log>, "one\\n", 4) = 4\n'
        "7 1.4 close(3</d/log>) = 0\n"
    )
    first, second = Diary(), Diary()
    store = Store.format(NorFlash(8, 1024, 64), StoreConfig(buffer_bytes=100, name_bytes=16))
    replay_recording(calls, store, directory="/d", observers=[first])
    console = tmp_path / "console"
    console.write_text("@fs1 2 1030 write 3 2 6869 a3897884\n")
    store = Store.format(NorFlash(8, 1024, 64), StoreConfig(buffer_bytes=100, name_bytes=16))
    replay_console_log(console, store, observers=[second])
    assert [operation for _, operation, *_ in first.of("ends")] == ["open", "write", "close"]
    assert [cause for (cause,) in first.of("programmed")] == [Cause.LOG_RECORD, *[Cause.NAME] * 2, Cause.DATA]
    assert second.told == []  # the file was never opened


def test_an_observer_that_overrides_nothing_changes_nothing() -> None:
    """Every method of the base does nothing."""
    device = Device(
        Store.format(NorFlash(8, 1024, 64), StoreConfig(buffer_bytes=100, name_bytes=16)), observers=[Observer()]
    )
    task = DeviceTask(device, "log")
    for _ in range(100):
        task.write("/a", b"x" * 200)
    device.boot()
    assert task.refused == 0


class OperationsAlone(Observer):
    """Wants to be told of operations, and not of all."""

    needs_each = False

    def run_begins(self, store: AnyStore) -> AnyStore:
        return store


def test_appends_go_together_only_where_no_observer_needs_each() -> None:
    device = Device(Store.format(NorFlash(8, 1024, 64), StoreConfig(buffer_bytes=100, name_bytes=16)))
    DeviceTask(device, "log").append("/a", b"x")
    assert device.stretch("/a") is not None
    device.observe(OperationsAlone())
    assert device.stretch("/a") is not None
    device.observe(Observer())
    assert device.stretch("/a") is None
