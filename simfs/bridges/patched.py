"""Makes the usual file functions of Python work on a store, for paths below one prefix: firmware logic written in
Python then runs on the simulated flash as it is."""

from __future__ import annotations

import builtins
import errno
import glob
import io
import os
import pathlib
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from threading import Lock
from typing import IO, Any, cast

from simfs.bridges.descriptors import Opened, OpenedFile
from simfs.bridges.os_functions import OsFunctions
from simfs.files.contract import AnyStore
from simfs.replay.device.clock import START_UNSAID, moment, parse_moment

_in_use = Lock()
UNSUPPORTED = (  # they give or take what no store has
    "link", "symlink", "mkfifo", "chdir", "listxattr", "getxattr", "setxattr", "removexattr",
)  # fmt: skip
ONE_PATH = (
    "remove", "unlink", "listdir", "scandir", "stat", "lstat", "mkdir", "rmdir", "truncate", "access", "statvfs",
    "utime",
)  # fmt: skip
ONE_NUMBER = (
    "read", "pread", "write", "pwrite", "lseek", "ftruncate", "fsync", "fdatasync", "isatty", "dup", "dup2", "close",
)  # fmt: skip
UNIX_START_NS = moment(1970)


@contextmanager
def patched(
    store: AnyStore, prefix: str | os.PathLike[str], clock_ns: Callable[[], int] | None = None
) -> Iterator[None]:
    """Until it ends, `open`, `io.open`, the functions of `os` that take a path or a descriptor, `os.path`, `pathlib`,
    `shutil` and `tempfile` go to the store for paths below `prefix`; all other paths are the host's as before.
    `/prefix/a/b` is the store's `/a/b`. Files get their times from the device's clock, `clock_ns`
    (`simfs.replay.device.clock`), such as that of a `Device`; without one, it starts as that of a scenario which does
    not say when, and goes on by what the medium takes.

    It holds for the whole process, so one at a time: RuntimeError. ValueError for a prefix that takes every path.
    What was imported by its name before (`from os import remove`) and what opens files in C (sqlite3) does not notice.
    """
    place = os.path.abspath(os.fspath(prefix))
    if not place.strip("/"):
        raise ValueError(f"prefix {os.fspath(prefix)!r} would take every path from the host; name a directory")
    if not _in_use.acquire(blocking=False):
        raise RuntimeError("patched() is in use already; leave that first")
    try:
        clock = clock_ns or _clock_of(store)
        names = OsFunctions(store, place, lambda: clock() - UNIX_START_NS)
        functions = _replacements(names)
        usual = [(owner, name, vars(owner).get(name) or getattr(owner, name)) for owner, name, _ in functions]
        try:
            for owner, name, function in functions:
                setattr(owner, name, function)
            yield
        finally:
            for owner, name, function in usual:
                setattr(owner, name, function)
            names.descriptors.let_go()
    finally:
        _in_use.release()


def _clock_of(store: AnyStore) -> Callable[[], int]:
    began, start_ns = store.medium.mark(), parse_moment(START_UNSAID)

    def clock_ns() -> int:
        *_, busy_ns, _, read_ns = store.medium.since(began)
        return start_ns + busy_ns + read_ns

    return clock_ns


def _replacements(names: OsFunctions) -> list[tuple[Any, str, Any]]:
    """What is put in the place of what: owner, name, function."""
    opens = _opening(names, io.open)
    found: list[tuple[Any, str, Any]] = [(builtins, "open", opens), (io, "open", opens)]
    found += [(os, name, _one_path(names, getattr(os, name), getattr(names, name))) for name in ONE_PATH]
    found += [(os, name, _one_path(names, getattr(os, name), names.leave)) for name in ("chmod", "chown")]
    found += [(os, "open", _one_path(names, os.open, names.opened_number))]
    found += [(os, "fstat", _one_path(names, os.fstat, names.stat))]
    found += [(os, name, _one_number(names, getattr(os, name))) for name in ONE_NUMBER if hasattr(os, name)]
    found += [(os, name, _two_paths(names, getattr(os, name))) for name in ("rename", "replace")]
    found += [(os, name, _unsupported(names, getattr(os, name))) for name in UNSUPPORTED if hasattr(os, name)]
    globber = getattr(glob, "_StringGlobber", None)  # Python 3.13's pathlib keeps a scandir of its own
    if globber is not None and globber.scandir is os.scandir:
        found.append((globber, "scandir", staticmethod(_one_path(names, os.scandir, names.scandir))))
    found += _bound_early(found)
    return [*found, (pathlib.Path, "touch", _touching(names, pathlib.Path.touch))]


def _bound_early(found: list[tuple[Any, str, Any]]) -> list[tuple[Any, str, Any]]:
    """`tempfile` keeps `os.unlink` as a default of a method's, from when it was imported."""
    unlink = next(function for owner, name, function in found if (owner, name) == (os, "unlink"))
    methods = vars(getattr(tempfile, "_TemporaryFileCloser", object)).values()
    keeping = [method for method in methods if os.unlink in (getattr(method, "__defaults__", None) or ())]
    return [
        (method, "__defaults__", tuple(unlink if kept is os.unlink else kept for kept in method.__defaults__))
        for method in keeping
    ]


def _one_path(names: OsFunctions, usual: Callable[..., Any], own: Callable[..., Any]) -> Callable[..., Any]:
    """A function of `os` whose first argument is a path, or a number that was opened here."""

    @wraps(usual)
    def call(path: Any = ".", *arguments: Any, **options: Any) -> Any:
        name = names.name_of(path, options.get("dir_fd"))
        if name is None:
            return usual(path, *arguments, **options)
        with names.told(path):
            return own(name, path, *arguments, **options)

    return call


def _one_number(names: OsFunctions, usual: Callable[..., Any]) -> Callable[..., Any]:
    """A function of `os` whose first argument is a descriptor."""
    own = getattr(names.descriptors, usual.__name__)

    @wraps(usual)
    def call(fd: Any, *arguments: Any, **options: Any) -> Any:
        return (usual if names.descriptors.find(fd) is None else own)(fd, *arguments, **options)

    return call


def _two_paths(names: OsFunctions, usual: Callable[..., Any]) -> Callable[..., Any]:
    """rename and replace. Between host and store: EXDEV, as between two file systems."""

    @wraps(usual)
    def call(src: Any, dst: Any, **options: Any) -> Any:
        if any(number is not None for number in options.values()):
            return usual(src, dst, **options)
        pair = names.name_of(src), names.name_of(dst)
        if pair == (None, None):
            return usual(src, dst)
        with names.told(src, dst):
            if pair[0] is None or pair[1] is None:
                raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
            return names.rename(pair[0], pair[1])

    return call


def _unsupported(names: OsFunctions, usual: Callable[..., Any]) -> Callable[..., Any]:
    """What a store has not, such as links: refused below the prefix, so that nothing lands on the host unseen."""

    @wraps(usual)
    def call(*arguments: Any, **options: Any) -> Any:
        for path in (*arguments, *options.values()):
            if names.name_of(path) is not None:
                raise OSError(errno.ENOTSUP, f"a store can't do os.{usual.__name__}", os.fspath(path))
        return usual(*arguments, **options)

    return call


def _touching(names: OsFunctions, usual: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(usual)
    def touch(self: pathlib.Path, mode: int = 0o666, exist_ok: bool = True) -> None:
        name = names.name_of(self)
        if name is None:
            usual(self, mode, exist_ok)
            return
        with names.told(self):
            names.open(name, "a" if exist_ok else "x").close()

    return touch


def _opening(names: OsFunctions, usual: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(usual)
    def call(
        file: Any,
        mode: str = "r",
        buffering: int = -1,
        encoding: str | None = None,
        errors: str | None = None,
        newline: str | None = None,
        closefd: bool = True,
        opener: Any = None,
    ) -> IO[Any]:
        name = names.name_of(file)
        if name is None:
            found: IO[Any] = usual(file, mode, buffering, encoding, errors, newline, closefd, opener)
            return found
        _check_open(mode, buffering, (encoding, errors, newline))
        if opener is not None:
            number, closefd = opener(file, _flags_of(mode)), True
            if names.descriptors.find(number) is None:
                return cast("IO[Any]", usual(number, mode, buffering, encoding, errors, newline))
        else:
            number = file if isinstance(file, int) else None
        with names.told(file):
            raw = _raw(names, name, mode.replace("t", ""), number, closefd)
        raw.name = file
        try:
            return _layers(raw, mode, buffering, (encoding, errors, newline))
        except BaseException:
            raw.close()
            raise

    return call


def _raw(names: OsFunctions, name: str, mode: str, number: int | None, closes: bool) -> OpenedFile:
    """The unbuffered file for a path, or for a number that is open."""
    descriptors = names.descriptors
    opened: Opened | None = descriptors.find(number)
    if opened is None:
        if not closes:
            raise ValueError("Cannot use closefd=False with file name")
        return OpenedFile(names.opened(name, mode), mode, descriptors)
    if "a" in mode:
        opened.file().seek(0, os.SEEK_END)
    return OpenedFile(opened, mode, descriptors, number, closes)


def _flags_of(mode: str) -> int:
    """What `open` asks an opener for."""
    both = os.O_RDWR if "+" in mode else os.O_RDONLY if "r" in mode else os.O_WRONLY
    how = {"r": 0, "w": os.O_CREAT | os.O_TRUNC, "a": os.O_CREAT | os.O_APPEND, "x": os.O_CREAT | os.O_EXCL}
    return both | os.O_CLOEXEC | next(flags for letter, flags in how.items() if letter in mode)


def _check_open(mode: str, buffering: int, text_options: tuple[str | None, ...]) -> None:
    """What `open` refuses before it looks for the file."""
    if not isinstance(mode, str):
        raise TypeError(f"open() argument 'mode' must be str, not {type(mode).__name__}")
    if "b" in mode and "t" in mode:
        raise ValueError("can't have text and binary mode at once")
    if "b" in mode and any(option is not None for option in text_options):
        raise ValueError("binary mode doesn't take an encoding, errors or newline argument")
    if "b" not in mode and buffering == 0:
        raise ValueError("can't have unbuffered text I/O")


def _layers(raw: io.RawIOBase, mode: str, buffering: int, text_options: tuple[str | None, ...]) -> IO[Any]:
    """What `open` puts on a raw file: a buffer, and for text a decoder."""
    if buffering == 0:
        return cast("IO[bytes]", raw)
    size = buffering if buffering > 1 else io.DEFAULT_BUFFER_SIZE
    kind: Any = io.BufferedRandom if "+" in mode else io.BufferedReader if mode[:1] == "r" else io.BufferedWriter
    buffered: IO[Any] = kind(raw, size)
    if "b" in mode:
        return buffered
    encoding, errors, newline = text_options
    text: Any = io.TextIOWrapper(cast("IO[bytes]", buffered), encoding, errors, newline, buffering == 1)
    text.mode = mode
    return cast("IO[str]", text)
