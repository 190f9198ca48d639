"""What only the rest of a run tells of a call: whether the file that it creates is saved beside another one and then
renamed over it, and whether the name that it removes comes back at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from simfs.study.history import FileCall


class Fates:
    """`saved_as`: opens that create a side file, with the name that it is renamed to. `comes_back`: removals of a name
    that comes back at once.

    A side file is opened once between its creation and its rename, and not written any more once it was flushed: a log
    that is put away under another name is none. At once: every call in between is on that name, or on the file that is
    then renamed to it.
    """

    def __init__(self, calls: Sequence[FileCall], key: Callable[[str], bytes], there: Iterable[bytes]) -> None:
        self.saved_as: dict[int, str] = {}
        self.comes_back: set[int] = set()
        self._key = key
        self._present = set(there)
        self._created: dict[bytes, int] = {}  # files that may be side files, and the calls that created them
        self._removed: dict[bytes, int] = {}  # the last removal of each name
        self._touched: list[bytes] = []  # the name that each call is on
        self._handles: dict[int, bytes] = {}
        self._flushed: set[int] = set()  # handles
        for number, call in enumerate(calls):
            name = key(call.name) if call.name else self._handles.get(call.handle, b"")
            self._touched.append(name)
            if not call.error:
                self._follow(number, call, name)

    def _follow(self, number: int, call: FileCall, name: bytes) -> None:
        if call.kind == "open":
            self._opened(number, call.handle, name)
        elif call.kind == "flush":
            self._flushed.add(call.handle)
        elif call.kind == "write" and call.handle in self._flushed:
            self._created.pop(name, None)
        elif call.kind == "remove":
            self._present.discard(name)
            self._created.pop(name, None)
            self._removed[name] = number
        elif call.kind == "rename":
            self._renamed(name, call.to)

    def _opened(self, number: int, handle: int, name: bytes) -> None:
        self._handles[handle] = name
        if name in self._present:
            self._created.pop(name, None)
        else:
            self._present.add(name)
            self._created[name] = number
            self._returned(name, name)

    def _renamed(self, old: bytes, to: str) -> None:
        new = self._key(to)
        self._present.discard(old)
        self._present.add(new)
        creation = self._created.pop(old, None)
        self._created.pop(new, None)
        if creation is not None and old != new:
            self.saved_as[creation] = to
        self._returned(new, old)

    def _returned(self, name: bytes, source: bytes) -> None:
        removal = self._removed.pop(name, None)
        if removal is not None and all(other in (name, source) for other in self._touched[removal + 1 :]):
            self.comes_back.add(removal)
