"""What the calls of a mount share: which file or directory is meant, by path or by handle, and who asks."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable

from simfs.bridges.mount.programs import Programs
from simfs.bridges.mount.store import MountedStore
from simfs.bridges.mount.tree import File, Folder, Handle, Owner


class Calls:
    """Looks up what a call means. `caller` gives user, group and process of the present one; None: nobody knows.
    `save` saves the image of the flash; its OSError goes to who asked for it."""

    def __init__(
        self,
        mounted: MountedStore,
        caller: Callable[[], tuple[int, int, int]] | None = None,
        save: Callable[[], None] = lambda: None,
    ) -> None:
        self.mounted = mounted
        self.save = save
        self.tree = mounted.tree
        self._caller = caller
        self.handles: dict[int, Handle | Folder] = {}
        self._next_handle = 1
        self._programs = Programs()
        self.aside: dict[str, File] = {}  # removed, and still open

    def new_handle(self, what: Handle | Folder) -> int:
        number = self._next_handle
        self._next_handle += 1
        self.handles[number] = what
        return number

    def file_handle(self, number: int) -> Handle:
        handle = self.handles.get(number)
        if not isinstance(handle, Handle):
            raise refusal(errno.EBADF, None)
        return handle

    def entry_of(self, path: str | None, fh: int | None) -> File | Folder:
        if fh:
            handle = self.handles.get(fh)
            return handle if isinstance(handle, Folder) else self.file_handle(fh).file
        assert path is not None
        entry = self.aside.get(path) or self.mounted.find(path)
        if entry is None:
            raise refusal(errno.ENOENT, path)
        return entry

    def file_at(self, path: str) -> File:
        entry = self.entry_of(path, None)
        if isinstance(entry, Folder):
            raise refusal(errno.EISDIR, path)
        return entry

    def folder_at(self, path: str) -> Folder:
        entry = self.entry_of(path, None)
        if isinstance(entry, File):
            raise refusal(errno.ENOTDIR, path)
        return entry

    def touch_folder(self, path: str) -> None:
        self.touch(self.tree.folder_of(path))

    def touch(self, folder: Folder) -> None:
        folder.changed_ns = folder.status_ns = self.mounted.clock_ns()

    def caller(self) -> tuple[int, int, int]:
        """User, group and process that ask."""
        return self._caller() if self._caller else (self.tree.root.owner, self.tree.root.group, 0)

    def calling_owner(self, folder: Folder, caller: tuple[int, int, int]) -> Owner:
        """Who makes something in a directory; its group is the directory's where that hands it on (setgid)."""
        user, group, _ = caller
        return Owner(user, folder.group if folder.mode & stat.S_ISGID else group, self.mounted.clock_ns())

    def calling_task(self) -> str:
        """The name of the program that asks."""
        return self.task_of(self.caller())

    def task_of(self, caller: tuple[int, int, int]) -> str:
        """The name of the program that asked."""
        return self._programs.name_of(caller[2])


def refusal(number: int, path: str | None) -> OSError:
    """The error that a caller gets."""
    return OSError(number, os.strerror(number), path)
