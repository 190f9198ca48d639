"""Puts a change into functions that are loaded already, where it is one of functions alone: an import of simfs for each
change costs more than most tests."""

from __future__ import annotations

import gc
import inspect
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from types import CodeType, FrameType, FunctionType
from typing import Any

Place = tuple[str, str, int]  # the file, the name within it, and the first line


class Loaded:
    """The functions of a process, and which of them ran while its modules were imported: what those made then is there,
    so a change of theirs would come too late."""

    def __init__(self, root: str) -> None:
        self._root = root
        self._functions: dict[Place, list[FunctionType]] = defaultdict(list)
        self._ran: set[CodeType] = set()

    @contextmanager
    def noted(self) -> Iterator[None]:
        """Imports modules within."""
        ran = self._ran

        def note(frame: FrameType, event: str, _: Any) -> None:
            if event == "call":
                ran.add(frame.f_code)

        sys.setprofile(note)
        try:
            yield
        finally:
            sys.setprofile(None)
        for found in gc.get_objects():
            if isinstance(found, FunctionType) and found.__code__.co_filename.startswith(self._root):
                self._functions[_place(found.__code__)].append(found)
        self._ran_at = {_place(code) for code in ran}

    def change(self, path: str, source: str, changed: str) -> bool:
        """Whether the functions of this module are now those of the changed source. If not, nothing was changed."""
        try:
            pairs = list(_changed(*(compile(text, path, "exec", dont_inherit=True) for text in (source, changed))))
        except (SyntaxError, _NotOfFunctionsAlone):
            return False
        found = [(function, new) for old, new in pairs for function in self._functions[_place(old)]]
        loaded = all(self._functions[_place(old)] and _place(old) not in self._ran_at for old, _ in pairs)
        if not loaded or any(function.__code__.co_freevars != new.co_freevars for function, new in found):
            return False
        for function, new in found:
            function.__code__ = new
        return True


class _NotOfFunctionsAlone(Exception):
    """A change of what is done at import: a class, a table, a default."""


def _changed(old: CodeType, new: CodeType) -> Iterable[tuple[CodeType, CodeType]]:
    """Functions of a module or a class that are not the same, before and after."""
    if _own(old) != _own(new):
        raise _NotOfFunctionsAlone
    for before, after in zip(_within(old), _within(new), strict=True):
        if not before.co_flags & inspect.CO_OPTIMIZED:  # a class
            yield from _changed(before, after)
        elif _whole(before) != _whole(after):
            yield before, after


def _own(code: CodeType) -> tuple[object, ...]:
    """What it does apart from the functions and classes in it, wherever its lines are."""
    consts = [(type(value), "" if isinstance(value, CodeType) else repr(value)) for value in code.co_consts]
    names = code.co_names, code.co_varnames, code.co_freevars, code.co_cellvars, code.co_qualname
    counts = code.co_argcount, code.co_kwonlyargcount, code.co_posonlyargcount, code.co_flags
    return code.co_code, code.co_exceptiontable, consts, names, counts


def _whole(code: CodeType) -> tuple[object, ...]:
    return _own(code), [_whole(inner) for inner in _within(code)]


def _within(code: CodeType) -> list[CodeType]:
    return [value for value in code.co_consts if isinstance(value, CodeType)]


def _place(code: CodeType) -> Place:
    return code.co_filename, code.co_qualname, code.co_firstlineno
