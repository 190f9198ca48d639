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
from simfs.replay.recorded.strace.pace import Pace
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
    takes_ns: int | None = None,
) -> Run:
    """Replay a recording on `store`, which should be freshly formatted.

    `directory` is the absolute path of the directory that stands for the store; without it, `store_directory` finds it.
    With `strict` a line that can't be read raises `BadRecording`, and so does a file that may differ from the host's;
    else they are counted and named. `observers` are called for all that happens. `rounds` says how long the recording
    is carried on, `expect` what is expected of the run. With `takes_ns` the work of the recording takes the device that
    long. `OSError` if the file can't be read, `BadRecording` if no call concerns the directory.
    """
    source = os.fspath(path)
    directory = store_directory(path) if directory is None else _checked(directory)
    ledger = SkippedLedger(source, strict)
    device = Device(store, start_ns=_start_ns(path), observers=observers)
    context = Context(device, directory, ledger, _Parents(path).of)
    if takes_ns is not None:
        context.store.pace = _pace(path, takes_ns)
    carried = CarriedOn(rounds, device, ledger)
    differing = _play_rounds(path, context, ledger, carried, progress)
    run = device.finish(
        title=f"{Path(source).stem}: {directory} is the store{carried.title}",
        source=source,
        kind="recording",
        name_faults=name_faults(context.store.names, device.store.name_rules),
        skipped=ledger.entries(),
        differing=differing,
        expect=expect,
    )
    run.telling_ns, run.asked_ns = carried.telling_ns, carried.asked_ns
    return run


def store_directory(path: str | os.PathLike[str]) -> str:
    """The directory that stands for the store, taken from the files that the recording opens for writing.

    It is the one that holds such a file directly and has all the others in it or below it. `BadRecording` when there is
    none. Files in /dev, /proc and /sys don't count.
    """
    written = _directories_written(path)
    for top in sorted(written, key=len)[:1]:
        if top != "/" and all(f"{other}/".startswith(f"{top}/") for other in written):
            return top
    raise BadRecording(
        f"{os.fspath(path)}: the recording does not tell which directory stands for the store: {_places(written)}; "
        "name the directory (--directory), and record with -y"
    )


def _directories_written(path: str | os.PathLike[str]) -> set[str]:
    """Where the recording opens files for writing."""
    written: set[str] = set()
    with opened(path) as lines:
        for call in Reader(lines, _AllBut(_OPENING), _unheard):
            place = _opened_for_writing(call)
            if place:
                written.add(posixpath.dirname(place))
    return written


def _places(written: set[str]) -> str:
    places = ", ".join(sorted(written)[:5])
    return f"files are opened for writing in {places}" if written else "it opens no file for writing"


def _pace(path: str | os.PathLike[str], takes_ns: int) -> Pace:
    """The pace at which the whole recording takes so long."""
    with opened(path) as lines:
        reader = Reader(lines, _AllBut(frozenset()), _unheard)
        for _ in reader:
            pass
    first_ns, last_ns = reader.first_ns or 0, reader.last_ns or 0
    if last_ns <= first_ns:
        raise BadRecording(f"{os.fspath(path)}: no time passes in it, so it can't take longer; leave out --takes")
    return Pace(first_ns, last_ns - first_ns, takes_ns)


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
                differing = _judged(context, ledger, carried.is_cut)
    except Unreadable as error:
        raise BadRecording(str(error)) from None
    return differing


def _play_round(
    path: str | os.PathLike[str], context: Context, ledger: SkippedLedger, carried: CarriedOn, progress: Progress | None
) -> None:
    """All lines of the recording once, from the time on that the store has come to."""

    def unreadable(line: int, text: str) -> None:
        ledger.unreadable(line, text, right=RIGHT_LINE)

    store = context.store
    context.begin()
    with opened(path) as lines:
        reader, replayer = Reader(lines, IGNORED, unreadable), Replayer(context, ledger)
        tell = told(lines, carried.progress(progress))
        for number, call in enumerate(reader):
            if carried.over(store.pace.at(call.at_ns) + store.shift_ns):
                break
            replayer.apply(call)
            if not number % CALLS_PER_PROGRESS:
                tell()
        replayer.finish()
        first_ns, last_ns = store.pace.at(reader.first_ns or 0), store.pace.at(reader.last_ns or 0)
        carried.ends_at(last_ns + store.shift_ns)
        store.shift_ns += last_ns - first_ns
        store.later_rounds = True
        tell()


def _judged(context: Context, ledger: SkippedLedger, is_cut: bool) -> list[Differing]:
    """After the first round: the files that may differ from the host's. A strict replay refuses them."""
    if not context.touched:
        if is_cut:  # its calls may come later
            ledger.note(1, f"the whole run: no call in it concerns {context.directory}")
        else:
            where = _places(_directories_written(ledger.source))
            raise BadRecording(
                f"{ledger.source}: no call in it concerns {context.directory}; {where}; name the store's (--directory)"
            )
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
