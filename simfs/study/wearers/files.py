"""The files of a run as their frames tell of them: the name of each, who gave it, and who wrote the bytes."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from simfs.files.names import NameRule
from simfs.store.format.codec import RENAME
from simfs.study.wearers.owners import Owners

GONE_KEPT = 100_000  # names that were taken away, with who did it; the oldest is forgotten first
decoded = lru_cache(1024)(NameRule.decode)


class OneFile:
    """`number` is that of the file, as in a frame; a file that is emptied gets another one. `writer` is the task that
    wrote all of it, if there is one; `owners` tells it where several did. The accounts are those of the next frame that
    the writer writes, and of the next name that the namer gives."""

    __slots__ = ("data_account", "name", "name_account", "namer", "number", "owners", "writer")

    def __init__(self, number: bytes, name: bytes, namer: str) -> None:
        self.number = number
        self.name = name
        self.namer = namer
        self.writer: str | None = None
        self.owners: Owners | None = None
        self.data_account = self.name_account = 0

    def wrote(self, begin: int, end: int, task: str) -> bool:
        """The task has written these bytes. Whether it has written all that there is."""
        if self.owners is None:
            if self.writer is None or self.writer == task:
                self.writer = task
                return True
            self.owners, self.writer = Owners(self.writer), None
        self.owners.wrote(begin, end, task)
        return False


class Files:
    """The files that have a name."""

    def __init__(self, found: Iterable[tuple[int, bytes]], namer: str, fold_case: bool) -> None:
        self._fold = fold_case
        self.by_number: dict[bytes, OneFile] = {}
        self.by_name: dict[bytes, OneFile] = {}
        self._taken_away_by: dict[bytes, str] = {}
        for number, name in found:
            self.named(number.to_bytes(4, "little"), name, namer).writer = namer

    def key(self, name: bytes) -> bytes:
        """What makes two names the same."""
        return name.lower() if self._fold else name

    def claimed(self, kind: int, number: bytes, payload: bytes, task: str) -> OneFile:
        """A task gives a file a name, or another one: the file."""
        name, _, old = payload.partition(b"\0")
        if kind == RENAME:
            moved = self._take_away(old, task)
            self._take_away(name, task)
            file = moved or OneFile(number, name, task)
            file.name, file.namer = name, task
            self.by_number[number] = self.by_name[self.key(name)] = file
            return file
        known = self.by_name.get(self.key(name))
        return self.named(number, name, task) if known is None else self._renumbered(known, number, name, task)

    def named(self, number: bytes, name: bytes, task: str) -> OneFile:
        """A new file."""
        file = self.by_number[number] = self.by_name[self.key(name)] = OneFile(number, name, task)
        return file

    def _renumbered(self, file: OneFile, number: bytes, name: bytes, task: str) -> OneFile:
        file.name, file.namer = name, task
        if number != file.number:
            self.emptied(file, number)
        return file

    def emptied(self, file: OneFile, number: bytes) -> None:
        """The file is empty, and has another number since. Its last writer is the likely next one; whoever else writes
        is told apart from it."""
        self.by_number.pop(file.number, None)
        self.by_number[number] = file
        file.number, file.owners = number, None

    def taken_away(self, name: bytes, task: str) -> None:
        """A task has removed the file of this name."""
        self._take_away(name, task)

    def namer(self, name: bytes) -> str | None:
        """Who gave a name, or took it away, last."""
        file = self.by_name.get(self.key(name))
        return self._taken_away_by.get(self.key(name)) if file is None else file.namer

    def _take_away(self, name: bytes, task: str) -> OneFile | None:
        key = self.key(name)
        self._taken_away_by.pop(key, None)
        self._taken_away_by[key] = task
        if len(self._taken_away_by) > GONE_KEPT:
            del self._taken_away_by[next(iter(self._taken_away_by))]
        file = self.by_name.pop(key, None)
        if file is not None:
            self.by_number.pop(file.number, None)
        return file
