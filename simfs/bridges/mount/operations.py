"""The calls of the host's kernel on a mounted store, under the names that mfusepy gives them.

Errors are `OSError` with the errno that the caller gets.
"""

from __future__ import annotations

import errno
import io
import os
import stat
from collections.abc import Callable
from typing import TypeVar

from simfs.bridges.mount.calls import refusal
from simfs.bridges.mount.name_calls import NameCalls
from simfs.bridges.mount.room import statfs_of
from simfs.bridges.mount.tree import File, Folder, Handle, path_of

T = TypeVar("T")


class Operations(NameCalls):
    """Every call that a mount answers; those that are missing (extended attributes, locks) the kernel refuses or does
    itself."""

    use_ns = True  # times are integers of ns

    def getattr(self, path: str | None, fh: int | None = None) -> dict[str, int]:
        entry = self.entry_of(path, fh)
        shape = {
            "st_ino": entry.number, "st_mode": entry.mode, "st_uid": entry.owner, "st_gid": entry.group,
            "st_atime": entry.read_ns, "st_mtime": entry.changed_ns, "st_ctime": entry.status_ns,
        }  # fmt: skip
        if isinstance(entry, Folder):
            return {**shape, "st_mode": stat.S_IFDIR | entry.mode, "st_nlink": 2 + entry.folder_count}
        size = self.mounted.size_bytes(entry)
        links = int(not entry.removed)
        blocks = -(-self.mounted.stored_bytes(entry, size) // 512)
        return {**shape, "st_mode": stat.S_IFREG | entry.mode, "st_nlink": links, "st_size": size, "st_blocks": blocks}

    def opendir(self, path: str) -> int:
        return self.new_handle(self.folder_at(path))

    def readdir(self, _path: str | None, fh: int) -> list[tuple[str, dict[str, int], int]]:
        folder = self.handles[fh]
        assert isinstance(folder, Folder)
        shown = [(name, entry, stat.S_IFDIR if isinstance(entry, Folder) else stat.S_IFREG)
                 for name, entry in sorted(folder.entries.values(), key=lambda item: item[0])]  # fmt: skip
        here = [(name, {"st_mode": stat.S_IFDIR, "st_ino": folder.number}, 0) for name in (".", "..")]
        return here + [(name, {"st_mode": kind, "st_ino": entry.number}, 0) for name, entry, kind in shown]

    def releasedir(self, _path: str | None, fh: int) -> int:
        del self.handles[fh]
        return 0

    def fsyncdir(self, _path: str | None, _datasync: int, _fh: int) -> int:
        """Names are on the flash when the call that changed them returns; the image of the flash is saved now."""
        self.mounted.settle()
        self.save()
        return 0

    def statfs(self, _path: str) -> dict[str, int]:
        self.mounted.settle()
        return statfs_of(self.mounted.store)

    # --- files ---

    def create(self, path: str, mode: int, flags: int = os.O_RDWR | os.O_CREAT) -> int:
        found = self.mounted.find(path)
        if found is not None:
            if flags & os.O_EXCL:
                raise refusal(errno.EEXIST, path)
            return self.open(path, flags)
        return self._open(path, None, flags, self.tree.folder_of(path), mode)

    def open(self, path: str, flags: int) -> int:
        file = self.file_at(path)
        return self._open_again(file, flags) if file.removed else self._open(path, file, flags)

    def read(self, _path: str | None, size: int, offset: int, fh: int) -> bytes:
        handle = self.file_handle(fh)
        stream, file = handle.stream, handle.file

        def action() -> bytes:
            if stream.tell() != offset:
                stream.seek(offset)
            return stream.read(size) or b""

        data = self.mounted.perform("read", file.name, action, writes=False, task=handle.task)
        file.read_ns = self.mounted.now_ns
        return data

    def write(self, _path: str | None, data: bytes, offset: int, fh: int) -> int:
        handle = self.handles.get(fh)
        if type(handle) is Handle and self.mounted.defer(handle, offset, data):
            handle.file.changed_ns = handle.file.status_ns = self.mounted.now_ns
            return len(data)
        return self._write_now(self.file_handle(fh), data, offset)

    def _write_now(self, handle: Handle, data: bytes, offset: int) -> int:
        stream, file = handle.stream, handle.file

        def action() -> int:
            if handle.appends:
                stream.seek(0, os.SEEK_END)
            elif stream.tell() != offset:
                stream.seek(offset)
            return stream.write(data)

        handle.written_to = offset + len(data)
        written = self.mounted.perform("write", file.name, action, writes=True, task=handle.task)
        file.changed_ns = file.status_ns = self.mounted.now_ns
        return written

    def flush(self, _path: str | None, fh: int) -> int:
        """At every close of a descriptor."""
        handle = self.file_handle(fh)
        if handle.stream.writable():
            self._on_handle("flush", handle, handle.stream.flush, writes=True)
        return 0

    def fsync(self, path: str | None, _datasync: int, fh: int) -> int:
        return self.flush(path, fh)

    def release(self, _path: str | None, fh: int) -> int:
        """After the last close."""
        handle = self.file_handle(fh)
        del self.handles[fh]
        handle.file.handles.remove(handle.stream)
        if handle.stream not in handle.file.handles:
            self._on_handle("close", handle, handle.stream.close, writes=handle.stream.writable())
        return 0

    def truncate(self, path: str | None, length: int, fh: int | None = None) -> int:
        entry = self.entry_of(path, fh)
        if isinstance(entry, Folder):
            raise refusal(errno.EISDIR, path)
        handle = self.file_handle(fh) if fh else None
        stream = handle.stream if handle else writable_stream(entry)
        if stream is None and entry.removed:
            raise refusal(errno.EACCES, path)
        task = handle.task if handle else self.calling_task()

        def action() -> None:
            if stream is None:
                self.mounted.store.truncate(entry.name, length)
            else:
                stream.truncate(length)

        self.mounted.perform("truncate", entry.name, action, writes=True, task=task)
        entry.changed_ns = entry.status_ns = self.mounted.clock_ns()
        return 0

    def fallocate(self, _path: str | None, _mode: int, _offset: int, _length: int, fh: int) -> int:
        """Refused: no store keeps room for bytes that are not written yet."""
        handle = self.file_handle(fh)
        raise self.mounted.refuse("fallocate", handle.file.name, handle.task)

    def mknod(self, path: str, mode: int, _device: int) -> int:
        """Regular files only."""
        if not stat.S_ISREG(mode):
            raise refusal(errno.EPERM, path)
        return self.release(None, self.create(path, mode, os.O_WRONLY | os.O_CREAT | os.O_EXCL))

    def close_all(self) -> None:
        """Close what is still open when the mount ends."""
        for number, handle in list(self.handles.items()):
            if isinstance(handle, Handle):
                self.release(None, number)

    def _open(self, path: str, file: File | None, flags: int, folder: Folder | None = None, mode: int = 0) -> int:
        """A file, or a new one in a directory. Appending is done by seeking, and what may be read and written the host
        has asked already."""
        mounted, caller = self.mounted, self.caller()
        task = self.task_of(caller)
        writes = file is None or bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_TRUNC))
        how = "w+" if flags & os.O_TRUNC else "r+" if writes else "r"
        if file is None:  # a store with directories may have it under a short name, which is not shown
            how = "x+" if mounted.directories else "w+"
        name = file.name if file else mounted.name_of(path)
        mounted.note_name(path, file)
        stream = mounted.perform("open", name, lambda: mounted.store.open(name, how), writes=writes, task=task)
        now_ns = mounted.clock_ns()
        if file is None:
            assert folder is not None
            owner = self.calling_owner(folder, caller)
            file = self.tree.new_file(mode & 0o7777, owner, mounted.kept_name(path))
            self.tree.put(path_of(file.name), file)
            self.touch(folder)
        elif flags & os.O_TRUNC:
            file.changed_ns = file.status_ns = now_ns
        file.handles.append(stream)
        return self.new_handle(Handle(file, stream, task, bool(flags & os.O_APPEND)))

    def _open_again(self, file: File, flags: int) -> int:
        """A removed file by a descriptor of it, as through /proc/self/fd. The store knows it by no name, so the streams
        that are open serve this one too: EACCES where it is to be written and all of them only read."""
        writes = bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_TRUNC))
        stream = writable_stream(file) if writes else next(iter(file.handles), None)
        if stream is None:
            raise refusal(errno.EACCES, None)
        file.handles.append(stream)
        number = self.new_handle(Handle(file, stream, self.calling_task(), bool(flags & os.O_APPEND)))
        if flags & os.O_TRUNC:
            self.truncate(None, 0, number)
        return number

    def _on_handle(self, operation: str, handle: Handle, action: Callable[[], T], *, writes: bool) -> T:
        return self.mounted.perform(operation, handle.file.name, action, writes=writes, task=handle.task)


def writable_stream(file: File) -> io.RawIOBase | None:
    """An open stream of the file that can be written."""
    return next((stream for stream in file.handles if stream.writable()), None)
