"""CPython's own tests of files, run against a store's files; skipped where the interpreter comes without its tests.

`test.test_fileio` and `test.test_file` take another `FileIO` and another `open`. What they do through `os` beside that
(removing, sizes) goes to the store as well, and `open` of the second is built on the store's files in two ways: from
the parts of `io`, and by `_pyio.open` itself. Tests that can't apply are named below, each with the reason.
"""

from __future__ import annotations

import _pyio
import errno
import io
import os
import unittest
import warnings
from importlib import import_module
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.files.modes import BadMode
from tests.support.tools import needs_cpython_tests

cpythons = needs_cpython_tests()

DESCRIPTOR = "it closes, makes or asks for a file descriptor; a file of the store has none"
REPR = "it wants FileIO's own repr, with its module, closefd and descriptor"
MODE = "FileIO forgets that w+ truncated and calls it rb+; a file of the store keeps the mode as ISO C has it"
HOST_FILE = "it reads a file of the host"
TERMINAL = "it is about the terminal, and uses no open"

NOT_APPLICABLE = {
    "test_fileio": {
        "testBlksize": DESCRIPTOR,
        "testErrnoOnClose": DESCRIPTOR,
        "testErrnoOnClosedWrite": DESCRIPTOR,
        "testErrnoOnClosedSeek": DESCRIPTOR,
        "testErrnoOnClosedTell": DESCRIPTOR,
        "testErrnoOnClosedTruncate": DESCRIPTOR,
        "testErrnoOnClosedSeekable": DESCRIPTOR,
        "testErrnoOnClosedReadable": DESCRIPTOR,
        "testErrnoOnClosedWritable": DESCRIPTOR,
        "testErrnoOnClosedFileno": DESCRIPTOR,
        "testErrnoOnClosedIsatty": DESCRIPTOR,
        "testErrnoOnClosedRead": DESCRIPTOR,
        "testErrnoOnClosedReadall": DESCRIPTOR,
        "testErrnoOnClosedReadinto": DESCRIPTOR,
        "testOpenDirFD": DESCRIPTOR,
        "testReprNoCloseFD": DESCRIPTOR,
        "testInvalidFd": DESCRIPTOR,
        "testInvalidFd_overflow": DESCRIPTOR,
        "testUnclosedFDOnException": DESCRIPTOR,
        "testRepr": REPR,
        "testRecursiveRepr": REPR,
        "test_open_code": HOST_FILE,
        "testModeStrings": MODE,
    },
    "test_file": {
        "testStdin": TERMINAL,
    },
}


class StoreOs:
    """`os` for those modules: names are names of the store, everything else is the host's."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.path = SimpleNamespace(exists=store.exists, getsize=lambda name: store.stat(name).size_bytes)

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def unlink(self, name: str) -> None:
        self._store.remove(name)

    remove = unlink


def new_store() -> Store:
    return Store.format(NorFlash(64), StoreConfig(name_bytes=250, open_files_max=32))


def opened(store: Store, file: str, mode: str = "r", buffering: int = -1, encoding: str | None = None) -> io.IOBase:
    """As `io.open` builds its streams, on a file of the store."""
    if "b" in mode and buffering == 1:
        warnings.warn("line buffering (buffering=1) isn't supported in binary mode", RuntimeWarning, stacklevel=2)
    try:
        raw = store.open(file, mode if "b" in mode else mode.replace("t", "", 1))
    except BadMode:
        raise ValueError(f"invalid mode: {mode!r}") from None
    if buffering == 0:
        return raw
    size = buffering if buffering > 1 else io.DEFAULT_BUFFER_SIZE
    kind: Any = io.BufferedRandom if "+" in mode else io.BufferedReader if raw.readable() else io.BufferedWriter
    buffer = kind(raw, size)
    return buffer if "b" in mode else io.TextIOWrapper(buffer, encoding)


def cases_of(module: ModuleType, **given: Any) -> unittest.TestSuite:
    """The module's tests for files of its own and for others, with another FileIO or open."""
    suite = unittest.TestSuite()
    left_out = NOT_APPLICABLE[module.__name__.rpartition(".")[2]]
    for base in (module.AutoFileTests, module.OtherFileTests):
        case = type(f"Store{base.__name__}", (base, unittest.TestCase), given)
        names = unittest.defaultTestLoader.getTestCaseNames(case)
        suite.addTests(case(name) for name in names if name not in left_out)
    return suite


def passed(suite: unittest.TestSuite) -> int:
    """Run them all; how many passed. A failure is shown whole."""
    result = unittest.TestResult()
    suite.run(result)
    assert not result.skipped, result.skipped
    bad = [f"{case}\n{text}" for case, text in result.failures + result.errors]
    assert not bad, "\n\n".join(bad)
    return result.testsRun


def cpython_tests(name: str) -> ModuleType:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return import_module(f"test.{name}")


def on_store(monkeypatch: pytest.MonkeyPatch, module: ModuleType, store: Store) -> None:
    """Let what the module does beside opening go to the store."""
    place = StoreOs(store)
    monkeypatch.setattr(module, "os", place)
    monkeypatch.setattr(module, "TESTFN", "test_file")  # in ASCII, which one of the tests needs
    monkeypatch.setattr(module, "open", lambda file, mode: opened(store, file, mode), raising=False)
    if hasattr(module, "os_helper"):
        monkeypatch.setattr(module, "os_helper", SimpleNamespace(unlink=lambda name: _removed(store, name)))


def _removed(store: Store, name: str) -> None:
    if store.exists(name):
        store.remove(name)


def file_io(store: Store) -> Any:
    """The store's open in FileIO's place: the mode is text, and without b it is binary too."""

    def made(file: Any, mode: str = "r", closefd: bool = True, opener: None = None) -> io.RawIOBase:
        if not isinstance(mode, str):
            raise TypeError(f"a mode is a string, not {type(mode)}")
        if file == "/dev/tty":
            raise OSError(errno.ENXIO, "the terminal is not in the store")
        return store.open(file, mode)

    return staticmethod(made)


@cpythons
def test_fileio(monkeypatch: pytest.MonkeyPatch) -> None:
    module, store = cpython_tests("test_fileio"), new_store()
    on_store(monkeypatch, module, store)
    assert passed(cases_of(module, FileIO=file_io(store), modulename="simfs")) >= 23
    assert (store.names(), store.files_open, store.check()) == ([], 0, [])


@cpythons
def test_file_on_the_streams_of_io(monkeypatch: pytest.MonkeyPatch) -> None:
    module, store = cpython_tests("test_file"), new_store()
    on_store(monkeypatch, module, store)

    def opening(*given: Any, **named: Any) -> io.IOBase:
        return opened(store, *given, **named)

    assert passed(cases_of(module, open=staticmethod(opening))) >= 14
    assert (store.names(), store.files_open, store.check()) == ([], 0, [])


@cpythons
def test_file_on_the_streams_of_pyio(monkeypatch: pytest.MonkeyPatch) -> None:
    module, store = cpython_tests("test_file"), new_store()
    on_store(monkeypatch, module, store)
    monkeypatch.setattr(_pyio, "FileIO", file_io(store).__func__)
    assert passed(cases_of(module, open=staticmethod(_pyio.open))) >= 14
    assert (store.names(), store.files_open, store.check()) == ([], 0, [])


@cpythons
@pytest.mark.parametrize("name", NOT_APPLICABLE)
def test_each_test_left_out_is_one_of_cpythons(name: str) -> None:
    module = cpython_tests(name)
    there = {test for case in vars(module).values() if isinstance(case, type) for test in dir(case)}
    assert set(NOT_APPLICABLE[name]) <= there


def test_what_those_left_out_ask_beside() -> None:
    """The parts of testModeStrings that do apply."""
    store = new_store()
    same = ["wb", "w", "ab", "a", "ab+", "a+b", "rb", "r", "rb+", "r+b"]
    for mode in same:
        with store.open("/f", mode) as file:
            assert file.mode == mode[0] + "b" + "+" * ("+" in mode), mode
            with pytest.raises(AttributeError):
                file.mode = "oops"  # type: ignore[misc]
    with store.open("/f", "wb+") as file:
        assert file.mode == "wb+"
