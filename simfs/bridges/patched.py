"""Makes the usual file functions of Python work on a store, for paths below one prefix: firmware logic written in
Python then runs on the simulated flash as it is."""

from __future__ import annotations

import builtins
import errno
import glob
import io
import os
import pathlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from threading import Lock
from typing import IO, Any, cast

from simfs.bridges.os_functions import OsFunctions
from simfs.files.contract import AnyStore

_in_use = Lock()
UNSUPPORTED = (  # they give or take what no store has
    "open", "link", "symlink", "mkfifo", "chdir", "statvfs", "listxattr", "getxattr", "setxattr", "removexattr",
)  # fmt: skip


@contextmanager
def patched(store: AnyStore, prefix: str | os.PathLike[str]) -> Iterator[None]:
    """Until it ends, `open`, `io.open`, the functions of `os` that take a path, `os.path` and `pathlib` go to the store
    for paths below `prefix`; all other paths are the host's as before. `/prefix/a/b` is the store's `/a/b`.

    It holds for the whole process, so one at a time: RuntimeError. ValueError for a prefix that takes every path.
    What was imported by its name before (`from os import remove`) and what opens files in C (sqlite3) does not notice.
    """
    place = os.path.abspath(os.fspath(prefix))
    if not place.strip("/"):
        raise ValueError(f"prefix {os.fspath(prefix)!r} would take every path from the host; name a directory")
    if not _in_use.acquire(blocking=False):
        raise RuntimeError("patched() is in use already; leave that first")
    try:
        functions = _replacements(OsFunctions(store, place))
        usual = [(owner, name, vars(owner)[name]) for owner, name, _ in functions]
        try:
            for owner, name, function in functions:
                setattr(owner, name, function)
            yield
        finally:
            for owner, name, function in usual:
                setattr(owner, name, function)
    finally:
        _in_use.release()


def _replacements(names: OsFunctions) -> list[tuple[Any, str, Any]]:
    """What is put in the place of what: owner, name, function."""
    opens = _opening(names, io.open)
    found: list[tuple[Any, str, Any]] = [(builtins, "open", opens), (io, "open", opens)]
    one_path = ("remove", "unlink", "listdir", "scandir", "stat", "lstat", "mkdir", "rmdir", "truncate", "access")
    found += [(os, name, _one_path(names, getattr(os, name), getattr(names, name))) for name in one_path]
    found += [(os, name, _one_path(names, getattr(os, name), names.leave)) for name in ("chmod", "utime", "chown")]
    found += [(os, name, _two_paths(names, getattr(os, name))) for name in ("rename", "replace")]
    found += [(os, name, _unsupported(names, getattr(os, name))) for name in UNSUPPORTED if hasattr(os, name)]
    globber = getattr(glob, "_StringGlobber", None)  # Python 3.13's pathlib keeps a scandir of its own
    if globber is not None and globber.scandir is os.scandir:
        found.append((globber, "scandir", staticmethod(_one_path(names, os.scandir, names.scandir))))
    return [*found, (pathlib.Path, "touch", _touching(names, pathlib.Path.touch))]


def _one_path(names: OsFunctions, usual: Callable[..., Any], own: Callable[..., Any]) -> Callable[..., Any]:
    """A function of `os` whose first argument is a path."""

    @wraps(usual)
    def call(path: Any = ".", *arguments: Any, **options: Any) -> Any:
        name = None if options.get("dir_fd") is not None else names.name_of(path)
        if name is None:
            return usual(path, *arguments, **options)
        with names.told(path):
            return own(name, path, *arguments, **options)

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
    """What a store has not, such as descriptors: refused below the prefix, so that nothing lands on the host unseen."""

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
        if opener is not None:
            raise OSError(errno.ENOTSUP, "a store has no descriptors for an opener", os.fspath(file))
        _check_open(mode, buffering, (encoding, errors, newline))
        with names.told(file):
            raw: Any = names.open(name, mode.replace("t", ""))  # which has a name to set
        raw.name = file
        try:
            return _layers(raw, mode, buffering, (encoding, errors, newline))
        except BaseException:
            raw.close()
            raise

    return call


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
