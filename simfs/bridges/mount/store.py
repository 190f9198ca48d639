"""A store under a directory of the host: its names, the operations that reach it, and the device that notes them."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import RawIOBase
from threading import Lock
from typing import TypeVar, cast

from simfs.bridges.mount.deferred import Deferred
from simfs.bridges.mount.tree import File, Folder, Handle, Owner, Tree, not_shown, path_of
from simfs.files.contract import AnyStore, directories_of
from simfs.replay.device.clock import moment
from simfs.replay.device.device import NAMES_KEPT, Device, Run
from simfs.replay.device.name_check import name_faults
from simfs.replay.device.observer import Observer
from simfs.replay.device.together import note_together

T = TypeVar("T")
FAULTS_SHOWN = 3
UNIX_START_NS = moment(1970)


class CannotShow(ValueError):
    """The store's names can't be directories and files together; the text says which."""


@dataclass(frozen=True, slots=True)
class Left:
    """What a mount showed and the store has not: it ends with the mount."""

    empty_directories: tuple[str, ...]
    medium: str = "flash"


class MountedStore:
    """Keeps the tree of a mount in step with its store. Every operation goes through `perform`.

    `clock_ns` tells the time since 1970; what passes between two operations passes on the device too. `observers` are
    called for all that happens.
    """

    def __init__(
        self,
        store: AnyStore,
        owner: tuple[int, int],
        clock_ns: Callable[[], int] = time.time_ns,
        observers: Iterable[Observer] = (),
    ) -> None:
        rules = store.name_rules
        self.cuts = rules.overlong == "cut"
        self._rules = rules.cutting() if self.cuts else rules  # what is asked here is no use of a name, so not counted
        names, own = store.names(), directories_of(store)
        folders = own.directories() if own else []
        faults = not_shown(names, self._key)
        if faults:
            more = f"; {len(faults) - FAULTS_SHOWN:,} more" if len(faults) > FAULTS_SHOWN else ""
            raise CannotShow(f"its names can't be shown as directories: {'; '.join(faults[:FAULTS_SHOWN])}{more}")
        self.clock_ns = clock_ns
        self.now_ns = 0  # when the last operation began
        self.device = Device(store, start_ns=UNIX_START_NS + clock_ns(), observers=observers)
        self.directories = directories_of(self.device.store)  # None where those of the tree are all there are
        self.tree = Tree(Owner(*owner, clock_ns()), self._key)
        for name in folders:  # one comes before what is in it
            self.tree.put(name, self.tree.new_folder(0o755, Owner(*owner, clock_ns())))
        for name in names:
            self.tree.put(path_of(name), self.tree.new_file(0o644, Owner(*owner, clock_ns()), name))
        self.aliases = rules.fold_case or self.cuts  # one file may go by several names
        self._top = "" if names and not names[0].startswith("/") else "/"
        self._asked: set[str] = set()  # names that programs gave to files, as they gave them
        self._changes = Lock()  # held while the flash may change
        self._hold, self._let_go = self._changes.acquire, self._changes.release
        self._deferred = Deferred()
        self._leaving: File | None = None
        self._leaving_task = ""

    @property
    def store(self) -> AnyStore:
        """The store, with nothing that waits to be done."""
        if self._deferred:
            with self.at_rest():
                pass
        return self.device.store

    @contextmanager
    def at_rest(self) -> Iterator[None]:
        """Nothing waits to be done, and the flash does not change while this lasts."""
        with self._changes:
            self._do_deferred()
            yield

    def perform(
        self, operation: str, name: str, action: Callable[[], T], *, writes: bool, task: str, settled: bool = False
    ) -> T:
        """One operation on the store, noted. What the store refuses is noted and raised."""
        if self._leaving is not None and not settled:
            self.settle()
        self.now_ns = self.clock_ns()
        self._hold()  # a `with` takes twice as long, and this is done at every call
        try:
            if self._deferred:
                self._do_deferred()
            return self._do(operation, name, action, writes, task, UNIX_START_NS + self.now_ns)
        finally:
            self._let_go()

    def _do(self, operation: str, name: str, action: Callable[[], T], writes: bool, task: str, due_ns: int) -> T:
        device = self.device
        if device.now_ns < due_ns:
            device.wait_until(due_ns)
        done = device.perform(task, operation, name, action, writes=writes, due_ns=due_ns, raises=True)
        return cast("T", done)  # None only where that is what the action gives

    def defer(self, handle: Handle, offset: int, data: bytes) -> bool:
        """Take a write that is done later. False where it has to be done now."""
        if self._leaving is not None:
            return False
        self.now_ns = now_ns = self.clock_ns()
        deferred, due_ns = self._deferred, UNIX_START_NS + now_ns
        self._hold()
        try:
            if deferred.goes_on(handle, offset, data, due_ns):
                return True
            self._do_deferred()
            return deferred.begins(handle, offset, data, due_ns)
        finally:
            self._let_go()

    def _do_deferred(self) -> None:
        """Do the writes that wait, each as of the time at which it came. They are noted one by one."""
        handle, device = self._deferred.handle, self.device
        if handle is None:
            return
        name, task = handle.file.name, handle.task
        may_join = name in device.names_used and not device.store.uses_idle_time  # else each has more to note
        for stream, offset, parts, due_ns in self._deferred.let_go(may_join):
            if len(parts) == 1:

                def action(stream: RawIOBase = stream, offset: int = offset, data: bytes = parts[0]) -> None:
                    if stream.tell() != offset:
                        stream.seek(offset)
                    stream.write(data)

                self._do("write", name, action, True, task, due_ns[0])
            else:
                filled, program_bytes = stream.write_together(offset, parts)
                note_together(device, task, "write", name, due_ns, sum(map(len, parts)), filled, program_bytes)

    def name_of(self, path: str) -> str:
        """The name in the store of a path, which may be overlong."""
        return path if self._top else path[1:]

    def note_name(self, path: str, file: File | None) -> None:
        """Programs open a file under this path; `file` is the one that is there. A name that was not theirs but the
        store's, since it cut the one they gave, is none of them."""
        name = self.name_of(path)
        if len(self._asked) < NAMES_KEPT and (file is None or (self.cuts and name != file.name)):
            self._asked.add(name)

    def kept_name(self, path: str) -> str:
        """The name that the store keeps for a path: a shorter one where it cuts names."""
        name = self.name_of(path)
        return self._rules.decode(self._rules.encode(name)) if self.cuts else name

    def find(self, path: str) -> File | Folder | None:
        """The file or directory at a path; ENOTDIR."""
        found = self.tree.find(path)
        if found is None and self.cuts:
            found = self.tree.find(path_of(self.kept_name(path)))
        if found is None and "~" in path and self.directories:
            with suppress(OSError, ValueError):  # there can be no such name
                full = self.directories.full_name(path)
                found = self.tree.find(full) if full else None
        return found

    def size_bytes(self, file: File) -> int:
        store = self.store
        if file.handles:
            return file.handles[-1].seek(0, os.SEEK_END)
        return 0 if file.removed else store.stat(file.name).size_bytes

    def stored_bytes(self, file: File, size_bytes: int) -> int:
        """The file's bytes without its holes; of a removed one, which nobody can ask any more, all of them."""
        return size_bytes if file.removed or not size_bytes else self.store.stat(file.name).stored_bytes

    def rename(self, file: File, new: str, task: str) -> None:
        """Show a file under another path, in place of the file that is there: one step on the flash."""
        path, leaving = path_of(self.kept_name(new)), self._leaving
        takes_over = leaving is not None and self._key(path_of(leaving.name)) == self._key(path)
        if self.directories and not takes_over and self.find(new) is None and self.store.exists(path):
            raise OSError(errno.EEXIST, os.strerror(errno.EEXIST), new)  # under a short name, which is not shown
        try:
            self._rename(file, self.name_of(new), task, settled=takes_over)
        except OSError:
            if takes_over and leaving is not None:
                self._show_again(path, leaving)
                self._leaving = None
            raise
        if takes_over:
            self._leaving = None

    def _rename(self, file: File, name: str, task: str, settled: bool = False) -> None:
        old = file.name
        self._asked.add(name)
        self.perform(
            "rename", f"{old} -> {name}", lambda: self.store.rename(old, name),
            writes=True, task=task, settled=settled,
        )  # fmt: skip
        file.name = self._rules.decode(self._rules.encode(name))
        if self._key(old) == self._key(file.name):  # its own name in another case
            self._asked.discard(old)

    def rename_all(self, moves: list[tuple[File, str]], task: str) -> None:
        """Rename the files of a directory, each in one step of its own. Where one is refused, those before it get
        their names back, and it is raised."""
        for _, name in moves:
            self._rules.encode(name)
        done: list[tuple[File, str]] = []
        try:
            for file, name in moves:
                old = file.name
                self._rename(file, name, task)
                done.append((file, old))
        except OSError:
            for file, old in reversed(done):
                self._rename(file, old, task)
            raise

    def rename_folder(self, moves: list[tuple[File, str]], old: str, new: str, task: str) -> None:
        """Give a directory of the store another name, and with it these files theirs."""
        own = self.directories
        assert own is not None
        for _, name in moves:
            self._rules.encode(name)
        self.perform("rename", f"{old} -> {new}", lambda: own.rename_directory(old, new), writes=True, task=task)
        for file, name in moves:
            file.name = name

    def leave(self, file: File, task: str) -> None:
        """The file's name goes with the next operation; or that one is a rename onto it, which replaces it at once."""
        self.settle()
        self._leaving, self._leaving_task = file, task
        file.removed = True

    def settle(self) -> None:
        """Let go the name of the file that leaves, if there is one."""
        file, self._leaving, task = self._leaving, None, self._leaving_task
        if file is None:
            return
        try:
            self.perform("remove", file.name, lambda: self.store.remove(file.name), writes=True, task=task)
        except OSError:  # a store that has become read-only: the file stays, and is seen again
            self._show_again(path_of(file.name), file)

    def _show_again(self, path: str, file: File) -> None:
        file.removed = False
        self.tree.put(path, file)

    def finish(self, title: str, source: str) -> tuple[Run, Left]:
        """End the mount: the notes of the run, and what goes with it."""
        self.settle()
        with self.at_rest():
            self.device.wait_until(UNIX_START_NS + self.clock_ns())
        run = self.device.finish(
            title=title,
            source=source,
            kind="mount",
            name_faults=name_faults(self._asked, self.store.name_rules),
        )
        return run, Left(() if self.directories else tuple(self.tree.empty_folders()), self.store.medium.kind)

    def refuse(self, operation: str, name: str, task: str) -> OSError:
        """Note that the store can't do an operation at all. Returns the error to raise."""
        number = self.store.cannot[operation]  # with nothing that waits
        error = OSError(number, os.strerror(number), name)
        with suppress(OSError), self.device.operation(task, operation, name, writes=False):
            raise error
        return error

    def _key(self, name: str) -> str:
        if not self._rules.fold_case:
            return name
        return self._rules.decode(self._rules.key(name.encode("utf-8", "surrogateescape")))
