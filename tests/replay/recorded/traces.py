"""Recordings written by hand, and what a replay of one left."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from simfs.files import Store
from simfs.files.contract import AnyStore
from simfs.flash import NorFlash
from simfs.replay.device.device import Run
from simfs.replay.recorded.strace.recording import replay_recording
from simfs.store.format.config import StoreConfig

NEW = '1 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT|O_TRUNC, 0644) = 3</d/a>\n'


def trace_text(text: str) -> str:
    """Lines `PID CALL` as strace writes them, with a time for each."""
    lines = [line.strip().split(" ", 1) for line in text.strip().splitlines()]
    return "".join(f"{pid} {at}.000000 {call}\n" for at, (pid, call) in enumerate(lines, 1))


def replay_trace(place: Path, text: str, **options: Any) -> Run:
    """Replays `trace_text`; `/d` is the store."""
    path = place / "recording"
    path.write_text(trace_text(text), "latin-1")
    store: AnyStore = Store.format(NorFlash(block_count=32), StoreConfig(open_files_max=32))
    return replay_recording(path, store, directory="/d", **options)


def files_in(run: Run) -> dict[str, bytes]:
    found = {}
    for name in run.store.names():
        with run.store.open(name, "rb") as file:
            found[name] = file.read()
    return found


def skipped_in(run: Run) -> list[tuple[int, str, int]]:
    return [(entry.line, entry.what, entry.count) for entry in run.skipped]
