"""The calls of a mount that change names, and what the host keeps with them.

A file that is removed while it is open keeps its bytes: libfuse first renames it to a name of its own, and that rename
is taken for the removal. If the next call renames another file to the old name, both are one step on the flash.
"""

from __future__ import annotations

import errno
import re
import stat

from simfs.bridges.mount.calls import Calls, refusal
from simfs.bridges.mount.tree import File, Folder, path_of, walk

NO_REPLACE = 1  # RENAME_NOREPLACE, renameat2(2)
TIME_NOW, TIME_OMIT = (1 << 30) - 1, (1 << 30) - 2  # UTIME_NOW and UTIME_OMIT, utimensat(2)
_ASIDE = re.compile(r"\.fuse_hidden[0-9a-f]+")


class NameCalls(Calls):
    """Names, directories, modes, owners and times. All but the names of files are kept until the mount ends."""

    def unlink(self, path: str) -> int:
        if self.aside.pop(path, None) is not None:
            return 0
        file = self.file_at(path)
        remove = self.mounted.store.remove
        self.mounted.perform("remove", file.name, lambda: remove(file.name), writes=True, task=self.calling_task())
        self.tree.take(path_of(file.name))
        self.touch_folder(path)
        return 0

    def rename(self, old: str, new: str, flags: int = 0) -> int:
        if _ASIDE.fullmatch(new.rpartition("/")[2]):
            file = self.file_at(old)
            self.mounted.leave(file, self.calling_task())
            self.tree.take(path_of(file.name))
            self.aside[new] = file
            return 0
        entry, there = self.entry_of(old, None), self.mounted.find(new)
        folder = self.tree.folder_of(new)
        if flags & ~NO_REPLACE:
            raise refusal(errno.EINVAL, old)
        if flags and there is not None:
            raise refusal(errno.EEXIST, new)
        if there is not entry:
            _check_replaces(entry, there, new)
        shown = new.rpartition("/")[2]
        if isinstance(entry, Folder):
            self._rename_folder(entry, old, new)
        elif there is not entry or shown not in {name for name, _ in folder.entries.values()}:
            was = path_of(entry.name)
            self.mounted.rename(entry, new, self.calling_task())
            self.tree.take(was)
            if isinstance(there, File) and there is not entry:
                self.tree.take(path_of(there.name))  # which may be another spelling of the new one
            self.tree.put(path_of(entry.name), entry)
        entry.status_ns = self.mounted.clock_ns()
        self.touch_folder(old)
        self.touch_folder(new)
        return 0

    def _rename_folder(self, folder: Folder, old: str, new: str) -> None:
        """Every file below it, one after the other, unless the store keeps directories. Where it cuts names, each must
        be made anew (EXDEV)."""
        if self.mounted.cuts:
            raise refusal(errno.EXDEV, old)
        if f"{new}/".startswith(f"{old}/") and new != old:
            raise refusal(errno.EINVAL, old)
        moves = [(entry, self.mounted.name_of(new + path)) for path, entry in walk(folder) if isinstance(entry, File)]
        if self.mounted.directories:
            self.mounted.rename_folder(moves, old, new, self.calling_task())
        else:
            self.mounted.rename_all(moves, self.calling_task())
        self.tree.take(old)
        self.tree.put(new, folder)

    def mkdir(self, path: str, mode: int) -> int:
        if self.mounted.find(path) is not None:
            raise refusal(errno.EEXIST, path)
        above, own = self.tree.folder_of(path), self.mounted.directories
        mode = mode & 0o7777 | above.mode & stat.S_ISGID
        if own:
            task = self.calling_task()
            self.mounted.perform("mkdir", path, lambda: own.make_directory(path), writes=True, task=task)
            path = path_of(self.mounted.kept_name(path))
        self.tree.put(path, self.tree.new_folder(mode, self.calling_owner(above, self.caller())))
        self.touch_folder(path)
        return 0

    def rmdir(self, path: str) -> int:
        if self.folder_at(path).entries:
            raise refusal(errno.ENOTEMPTY, path)
        if own := self.mounted.directories:
            task, name = self.calling_task(), self.mounted.kept_name(path)
            self.mounted.perform("rmdir", path, lambda: own.remove_directory(name), writes=True, task=task)
        self.tree.take(path)
        self.touch_folder(path)
        return 0

    def link(self, target: str, _source: str) -> int:
        raise self.mounted.refuse("link", target, self.calling_task())

    def symlink(self, target: str, _source: str) -> int:
        raise self.mounted.refuse("symlink", target, self.calling_task())

    def chmod(self, path: str, mode: int) -> int:
        entry = self.entry_of(path, None)
        entry.mode = mode & 0o7777
        entry.status_ns = self.mounted.clock_ns()
        return 0

    def chown(self, path: str, user: int, group: int) -> int:
        entry = self.entry_of(path, None)
        entry.owner, entry.group = entry.owner if user == -1 else user, entry.group if group == -1 else group
        entry.status_ns = self.mounted.clock_ns()
        return 0

    def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
        entry, now_ns = self.entry_of(path, None), self.mounted.clock_ns()
        read_ns, changed_ns = times or (TIME_NOW, TIME_NOW)
        entry.read_ns = {TIME_NOW: now_ns, TIME_OMIT: entry.read_ns}.get(read_ns, read_ns)
        entry.changed_ns = {TIME_NOW: now_ns, TIME_OMIT: entry.changed_ns}.get(changed_ns, changed_ns)
        entry.status_ns = now_ns
        return 0


def _check_replaces(entry: File | Folder, there: File | Folder | None, path: str) -> None:
    if isinstance(there, Folder):
        if isinstance(entry, File):
            raise refusal(errno.EISDIR, path)
        if there.entries:
            raise refusal(errno.ENOTEMPTY, path)
    elif there is not None and isinstance(entry, Folder):
        raise refusal(errno.ENOTDIR, path)
