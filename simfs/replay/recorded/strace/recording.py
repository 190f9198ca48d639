"""Recordings: what strace wrote about a program of the host, replayed on a store.

    strace -f -y -ttt -s 1048576 -x -o FILE PROGRAM ...

One directory of the host stands for the store; a file's name in the store is its path below that directory, with a
leading slash. The device does what the program did, a call after another, at the times of the recording or as soon
after as the flash is free. What a recording can't carry is in `Run.skipped`.
"""

from __future__ import annotations

import os
import posixpath
import re
from collections.abc import Iterable
from pathlib import Path

from simfs.files.contract import AnyStore
from simfs.replay.device.device import Device, Run
from simfs.replay.device.name_check import name_faults
from simfs.replay.device.notes import Differing
from simfs.replay.device.observer import Observer
from simfs.replay.recorded.faults import BadRecording, Unreadable
from simfs.replay.recorded.rounds import ONCE, CarriedOn, Rounds
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.source import Progress, opened, told
from simfs.replay.recorded.strace.context import Context
from simfs.replay.recorded.strace.lines import Call, Reader, is_line
from simfs.replay.recorded.strace.replayer import IGNORED, Replayer
from simfs.replay.recorded.strace.text import path_text

SNIFFED_BYTES = 65_536
RIGHT_LINE = 'strace -f -y -ttt writes lines like: 4711 1922313600.000125 write(3</data/log>, "ab", 2) = 2'
CALLS_PER_PROGRESS = 4096
_OPENING = frozenset({"open", "openat", "openat2", "creat"})
_FORKING = frozenset({"clone", "clone3", "fork", "vfork"})
_CHANGES = re.compile(r"\bO_(?:WRONLY|RDWR|CREAT)\b")
_NO_STORE = ("/dev/", "/proc/", "/sys/", "/memfd:")


def is_recording(path: str | os.PathLike[str]) -> bool:
    """Whether a file looks like the output of strace with `-ttt`: some line near its beginning is one."""
    try:
        with open(path, "rb") as file:
            start = file.read(SNIFFED_BYTES).decode("latin-1")
    except OSError:
        return False
    return any(is_line(line) for line in start.split("\n")[:200])


def replay_recording(
    path: str | os.PathLike[str],
    store: AnyStore,
    *,
    directory: str | None = None,
    strict: bool = False,
    progress: Progress | None = None,
    observers: Iterable[Observer] = (),
    rounds: Rounds = ONCE,
    expect: dict[str, object] | None = None,
) -> Run:
    """Replay a recording on `store`, which should be freshly formatted.

    `directory` is the absolute path of the directory that stands for the store; without it, `store_directory` finds it.
    With `strict` a line that can't be read raises `BadRecording`, and so does a file that may differ from the host's;
    else they are counted and named. `observers` are called for all that happens. `rounds` says how long the recording
    is carried on, `expect` what is expected of the run. `OSError` if the file can't be read.
    """
    source = os.fspath(path)
    directory = store_directory(path) if directory is None else _checked(directory)
    ledger = SkippedLedger(source, strict)

    device = Device(store, start_ns=_start_ns(path), observers=observers)
    context = Context(device, directory, ledger, _Parents(path).of)
    carried = CarriedOn(rounds, device, ledger)
    differing = _play_rounds(path, context, ledger, carried, progress)
    return device.finish(
        title=f"{Path(source).stem}: {directory} is the store{carried.title}",
        source=source,
        kind="recording",
        name_faults=name_faults(context.store.names, device.store.name_rules),
        skipped=ledger.entries(),
        differing=differing,
        expect=expect,
    )


def store_directory(path: str | os.PathLike[str]) -> str:
    """The directory that stands for the store, taken from the files that the recording opens for writing.

    It is the one that holds such a file directly and has all the others in it or below it. `BadRecording` when there is
    none. Files in /dev, /proc and /sys don't count.
    """
    written: set[str] = set()
    with opened(path) as lines:
        for call in Reader(lines, _AllBut(_OPENING), _unheard):
            place = _opened_for_writing(call)
            if place:
                written.add(posixpath.dirname(place))
    for top in sorted(written, key=len)[:1]:
        if top != "/" and all(f"{other}/".startswith(f"{top}/") for other in written):
            return top
    places = ", ".join(sorted(written)[:5])
    found = f"files are opened for writing in {places}" if written else "it opens no file for writing"
    raise BadRecording(
        f"{os.fspath(path)}: the recording does not tell which directory stands for the store: {found}; "
        "name the directory (--directory), and record with -y"
    )


def _start_ns(path: str | os.PathLike[str]) -> int:
    """The time of the first line that has one."""
    with opened(path) as lines:
        reader = Reader(lines, frozenset(), _unheard)
        next(iter(reader), None)
        return reader.first_ns or 0


def _play_rounds(
    path: str | os.PathLike[str], context: Context, ledger: SkippedLedger, carried: CarriedOn, progress: Progress | None
) -> list[Differing]:
    """Play it as long as it is carried on; the files that may differ from the host's after the first round."""
    differing: list[Differing] = []
    try:
        for _ in carried:
            _play_round(path, context, ledger, carried, progress)
            if not ledger.later_rounds:
                differing = _judged(context, ledger)
    except Unreadable as error:
        raise BadRecording(str(error)) from None
    return differing


def _play_round(
    path: str | os.PathLike[str], context: Context, ledger: SkippedLedger, carried: CarriedOn, progress: Progress | None
) -> None:
    """All lines of the recording once, from the time on that the store has come to."""

    def unreadable(line: int, text: str) -> None:
        ledger.unreadable(line, text, right=RIGHT_LINE)

    store, device = context.store, context.store.device
    context.begin()
    with opened(path) as lines:
        reader, replayer = Reader(lines, IGNORED, unreadable), Replayer(context, ledger)
        tell = told(lines, carried.progress(progress))
        for number, call in enumerate(reader):
            if carried.over(call.at_ns + store.shift_ns):
                break
            replayer.apply(call)
            if not number % CALLS_PER_PROGRESS:
                tell()
        replayer.finish()
        last_ns = (reader.last_ns or 0) + store.shift_ns
        device.wait_until(last_ns if carried.end_ns is None else min(last_ns, carried.end_ns))
        store.shift_ns += (reader.last_ns or 0) - (reader.first_ns or 0)
        store.later_rounds = True
        tell()


def _judged(context: Context, ledger: SkippedLedger) -> list[Differing]:
    """After the first round: the files that may differ from the host's. A strict replay refuses them."""
    if not context.touched:
        ledger.note(1, f"the whole recording: no call in it concerns {context.directory}")
    differing = context.store.differing.entries()
    ledger.differing(differing)
    return differing


class _AllBut:
    """Contains everything but a few names."""

    def __init__(self, names: frozenset[str]) -> None:
        self._names = names

    def __contains__(self, name: object) -> bool:
        return name not in self._names


class _Parents:
    """Finds out which process made which other one, by reading ahead. It does so only when it is asked."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = path
        self._parents: dict[int, list[int]] | None = None

    def of(self, pid: int) -> Iterable[int]:
        if self._parents is None:
            self._parents = {}
            with opened(self._path) as lines:
                for call in Reader(lines, _AllBut(_FORKING), _unheard):
                    if call.name in _FORKING and call.value.isdigit():
                        self._parents.setdefault(int(call.value), []).append(call.pid)
        return self._parents.get(pid, [])


def _unheard(line: int, text: str) -> None:
    """Ignores lines that can't be read at a first look; the replay reports them."""


def _opened_for_writing(call: Call) -> str | None:
    flags = call.args[call.args.rfind('"') :]
    if call.path is None or not (call.name == "creat" or _CHANGES.search(flags)):
        return None
    try:
        path = path_text(call.path)
    except Unreadable:
        return None
    return path if path.startswith("/") and not path.startswith(_NO_STORE) else None


def _checked(directory: str) -> str:
    normal = posixpath.normpath(directory)
    if not normal.startswith("/") or not normal.strip("/"):
        raise BadRecording(
            f"--directory {directory}: it can't stand for the store; give an absolute path, as the recording names it"
        )
    return "/" + normal.lstrip("/")
