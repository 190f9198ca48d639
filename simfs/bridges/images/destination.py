"""The one directory of the host that an extraction writes to. Every file in it is created anew: nothing that is there
already is written over, and no link is followed, not even in place of the directory itself."""

from __future__ import annotations

import os
from types import TracebackType
from typing import Self

_CREATE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
_HELD = {os.open, os.unlink} <= os.supports_dir_fd  # a directory can be held open, whatever its path leads to by now


class BadDestination(Exception):
    """Files can't safely be put into this directory; one line."""


class Destination:
    """A new or empty directory. Leaving it with an error takes back all that was created, and then the directory, if it
    is new; `left` lists the names of what could not be taken back. BadDestination, OSError."""

    def __init__(self, path: str) -> None:
        self.left: list[str] = []
        self._created: list[str] = []
        self._path = path.rstrip(os.sep) or path  # with a slash at its end a link would be followed
        self._is_new = _made(self._path)
        self._held: int | None = None

    def __enter__(self) -> Self:
        if _HELD:
            self._held = os.open(self._path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        return self

    def create(self, name: str, data: bytes) -> None:
        """A file of this name and contents, whole or not at all. FileExistsError if there is anything of that name."""
        self._created.append(name)  # before it is there, so that no signal comes between the two
        try:
            descriptor = os.open(self._at(name), _CREATE, 0o644, dir_fd=self._held)
        except BaseException:
            self._created.remove(name)
            raise
        with open(descriptor, "wb") as file:
            file.write(data)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is not None:
            self._take_back()
        if self._held is not None:
            os.close(self._held)

    def _take_back(self) -> None:
        for name in self._created:
            try:
                os.unlink(self._at(name), dir_fd=self._held)
            except FileNotFoundError:
                continue
            except OSError:
                self.left.append(name)
        if self._is_new and not self.left:
            try:
                os.rmdir(self._path)
            except OSError:  # somebody else has put something there
                return

    def _at(self, name: str) -> str:
        return name if self._held is not None else os.path.join(self._path, name)


def _made(path: str) -> bool:
    """Make a directory; False when it is there already and empty."""
    try:
        os.mkdir(path)
    except FileExistsError:
        if os.path.islink(path) or not os.path.isdir(path):
            raise BadDestination(f"{path}: it is not a directory; give one that is empty, or a new name") from None
        if os.listdir(path):
            raise BadDestination(f"{path}: it is not empty; give an empty directory, or a new name") from None
        return False
    return True
