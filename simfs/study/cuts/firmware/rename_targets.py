"""What becomes of a file, which only the rest of the run shows: whether a file that a call creates is later renamed
over another one, and whether another file at once takes a name that a call removes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from simfs.files.heard import FileCall


class Fates:
    """`saved_as`: opens that create a side file, with the name that it is renamed to. `replaced_by`: removals of a name
    that another file takes at once, with that file's name until then.

    A side file is created, written and renamed in one go: every call in between is on it, or on the name that it is
    to take. A log that is put away under a longer name (/log as /log.1) is none, nor is a file made to append to. At
    once: every call between removal and rename is on one of the two.
    """

    def __init__(self, calls: Sequence[FileCall], key: Callable[[str], bytes], there: Iterable[bytes]) -> None:
        self.saved_as: dict[int, str] = {}
        self.replaced_by: dict[int, str] = {}
        self._key = key
        self._present = set(there)
        self._created: dict[bytes, int] = {}  # files that may be side files, and the calls that created them
        self._removed: dict[bytes, int] = {}  # the last removal of each name
        self._touched: list[bytes] = []  # the name that each call is on
        handles: dict[int, bytes] = {}
        for number, call in enumerate(calls):
            name = key(call.name) if call.name else handles.get(call.handle, b"")
            self._touched.append(name)
            if call.error:
                continue
            if call.kind == "open":
                handles[call.handle] = name
                self._opened(number, call.mode, name)
            elif call.kind == "remove":
                self._present.discard(name)
                self._removed[name] = number
            elif call.kind == "rename":
                self._renamed(call, name, key(call.to))

    def _opened(self, number: int, mode: str, name: bytes) -> None:
        if name not in self._present:
            self._present.add(name)
            self._removed.pop(name, None)
            if not mode.startswith("a"):
                self._created[name] = number

    def _renamed(self, call: FileCall, old: bytes, new: bytes) -> None:
        self._present.discard(old)
        self._present.add(new)
        creation, removal = self._created.pop(old, None), self._removed.pop(new, None)
        self._created.pop(new, None)
        if creation is not None and not new.startswith(old) and self._in_one_go(creation, old, new):
            self.saved_as[creation] = call.to
        if removal is not None and self._in_one_go(removal, old, new):
            self.replaced_by[removal] = call.name

    def _in_one_go(self, call: int, old: bytes, new: bytes) -> bool:
        return all(name in (old, new) for name in self._touched[call + 1 :])
