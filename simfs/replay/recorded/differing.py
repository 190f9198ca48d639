"""The files of a store that may hold other bytes than those of the host, because a recording does not show them all."""

from __future__ import annotations

from simfs.replay.device.notes import Differing

WRITTEN_BEFORE = (
    "the recording does not show whether it was there before (let the recorded program make the directory, "
    "or empty the file)"
)


class DifferingFiles:
    """Follows such files through renames, with the first reason of each. A file that begins anew is forgotten."""

    def __init__(self) -> None:
        self._found: dict[str, tuple[int, str]] = {}  # name -> line, reason
        self._taken_as_new: dict[str, int] = {}  # name -> the line that opened it
        self._absent: set[str] = set()  # names that no file of the host has

    def spoil(self, name: str, line: int, why: str) -> None:
        """The file may differ from this line on."""
        self._found.setdefault(name, (line, why))

    def why(self, name: str) -> str:
        """Why the file may differ; empty if it does not."""
        return self._found[name][1] if name in self._found else ""

    def begins_anew(self, name: str) -> None:
        """The file has no bytes now, on the host as well."""
        self._found.pop(name, None)
        self._taken_as_new.pop(name, None)
        self._absent.discard(name)

    def may_be_new(self, name: str, line: int) -> None:
        """The store made the file, and on the host it may have had bytes."""
        directory = name.rpartition("/")[0]
        while name not in self._absent and directory not in self._absent:
            if not directory:
                self._taken_as_new.setdefault(name, line)
                return
            directory = directory.rpartition("/")[0]

    def is_as_on_the_host(self, name: str) -> None:
        """The host told the size that the file has."""
        self._taken_as_new.pop(name, None)

    def is_new_directory(self, name: str) -> None:
        """Whatever is made below it was not there before."""
        self._absent.add(name.rstrip("/"))

    def rename(self, old: str, new: str) -> None:
        self._found.pop(new, None)
        self._taken_as_new.pop(new, None)
        if old in self._found:
            self._found[new] = self._found.pop(old)
        if old in self._taken_as_new:
            self._taken_as_new[new] = self._taken_as_new.pop(old)
        self._absent.discard(new)
        self._absent.add(old)

    def remove(self, name: str) -> None:
        self.begins_anew(name)
        self._absent.add(name)

    def entries(self) -> list[Differing]:
        """Each file once, in the order of the lines."""
        found = {name: (line, WRITTEN_BEFORE) for name, line in self._taken_as_new.items()} | self._found
        return sorted((Differing(line, name, why) for name, (line, why) in found.items()))
