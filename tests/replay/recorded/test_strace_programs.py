"""Recordings of real programs (tests/recordings): after the replay every file is what the program left on the host."""

import pytest

from simfs.fat.card.card import Card
from simfs.files import Store
from simfs.files.card_store import CardConfig, CardStore
from simfs.flash import NorFlash
from simfs.replay.recorded.differing import WRITTEN_BEFORE
from simfs.replay.recorded.files import OVERLAPPED
from simfs.replay.recorded.strace.recording import is_recording, replay_recording
from simfs.store.format.config import StoreConfig
from tests.fat.volumes import fsck, needs_fsck
from tests.support.places import RECORDINGS

# Calls of threads overlap; the recordings kept are such that the order of returns was right.
PROGRAMS = ["shell_tools", "forks", "rotating_logs", "database", "threads"]


def contents(store):
    found = {}
    for name in store.names():
        with store.open(name, "rb") as file:
            found[name] = file.read()
    return found


def left_on_the_host(program):
    top = RECORDINGS / program / "files"
    return {f"/{path.relative_to(top)}": path.read_bytes() for path in top.rglob("*") if path.is_file()}


@pytest.mark.parametrize("program", PROGRAMS)
@pytest.mark.parametrize(
    "config",
    [
        StoreConfig(),
        StoreConfig(cleaner="cost-benefit", log_heads=2, packing="page", buffer_bytes=64, idle_cleaning=True),
    ],
    ids=["as it is by default", "pages and two heads"],
)
def test_every_file_is_what_the_program_left(program, config):
    recording = RECORDINGS / program / "recording.txt"
    assert is_recording(recording)
    run = replay_recording(recording, Store.format(NorFlash(block_count=32), config))
    assert run.title == "recording: /data is the store"
    assert contents(run.store) == left_on_the_host(program)
    assert run.store.check() == []
    assert contents(Store.mount(run.flash, read_only=True)) == left_on_the_host(program)
    assert [entry.what for entry in run.skipped if OVERLAPPED not in entry.what] == []
    assert {file.why for file in run.differing} <= {WRITTEN_BEFORE, OVERLAPPED}  # the directory was empty
    assert run.refusals == []
    assert sum(task.host_bytes for task in run.tasks.values()) == run.store.meters.host_bytes > 0


@needs_fsck
@pytest.mark.parametrize("program", PROGRAMS)
def test_every_file_is_on_a_card_what_the_program_left(program, tmp_path):
    store = CardStore.format(Card(4096), CardConfig(name_bytes=200, open_files_max=16))
    run = replay_recording(RECORDINGS / program / "recording.txt", store)
    assert contents(run.store) == left_on_the_host(program)
    assert run.store.check() == []
    assert fsck(store.card.image(), tmp_path / "image") == []
    assert run.refusals == []
    assert store.card.writes > 0


def test_each_program_is_a_task():
    run = replay_recording(
        RECORDINGS / "shell_tools" / "recording.txt", Store.format(NorFlash(block_count=32), StoreConfig())
    )
    assert {"sh", "cp", "mv", "sed", "dd", "truncate", "tee", "cat", "sort", "rm", "fallocate"} <= set(run.tasks)
    assert run.tasks["sed"].operations["rename"] == 1


def test_a_store_too_small_refuses_and_goes_on():
    run = replay_recording(
        RECORDINGS / "database" / "recording.txt",
        Store.format(NorFlash(block_count=6, block_bytes=1024, page_bytes=64), StoreConfig()),
    )
    assert "ENOSPC" in {refusal.error for refusal in run.refusals}
    assert run.store.check() == []
    assert run.skipped == []


def test_recordings_are_small_and_show_no_machine():
    for program in PROGRAMS:
        text = (RECORDINGS / program / "recording.txt").read_bytes()
        assert len(text) < 61_440
        assert not [
            word
            for word in (b"/tmp", b"/root", b"/home")
            if word in text or word.hex(",").replace(",", "\\x").encode() in text
        ]
