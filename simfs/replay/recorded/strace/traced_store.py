"""A store that does what strace recorded: second names of a file are kept until one of them goes, and copies inside the
host's kernel are made of the store's own bytes."""

from __future__ import annotations

import os

from simfs.replay.device.device import Device
from simfs.replay.recorded.open_file import OpenFile, read_whole
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.store import RecordedStore
from simfs.replay.recorded.strace.lines import stamp_ns
from simfs.replay.recorded.strace.pace import AS_RECORDED

NO_LINKS = "the store has no links"


class TracedStore(RecordedStore):
    """A store with the times of a recording; `stamp` is that of the present call.

    The store has no links. A second name costs it nothing: it leads to the file's first name until that one is removed
    or replaced, and then the file is renamed. `outside` has the paths outside the store that lead to a file in it.
    """

    stamp = ("0", "0")
    pace = AS_RECORDED
    shift_ns = 0  # added to the times that the pace gives

    def __init__(self, device: Device, skipped: SkippedLedger) -> None:
        super().__init__(device, skipped)
        self.outside: dict[str, str] = {}
        self._second: dict[str, tuple[str, int, str]] = {}  # second name -> first name, line and call of the link

    def due_ns(self) -> int:
        return self.pace.at(stamp_ns(*self.stamp)) + self.shift_ns

    # --- links -------------------------------------------------------------------------------------------------------

    def link(self, call: str, first: str, second: str) -> None:
        """A second name for a file; neither is outside the store."""
        first = self.first_name(first)
        if self._known(call, first):
            self._second[second] = first, self.line, call

    def no_link(self, call: str, name: str, what: str) -> None:
        """A name that the store can't have."""
        self.skip(f"{call} of {name}: {NO_LINKS}")
        self.spoil(name, f"{what}, and {NO_LINKS}")

    def first_name(self, name: str) -> str:
        """The name that the file has in the store."""
        return self._second[name][0] if name in self._second else name

    def open(self, name: str, flags: set[str]) -> OpenFile:
        return super().open(self.first_name(name), flags)

    def truncate_name(self, name: str, size_bytes: int) -> None:
        super().truncate_name(self.first_name(name), size_bytes)

    def remove(self, name: str) -> None:
        if self._second.pop(name, None) is None and not self._hand_over(name):
            super().remove(name)
            if not self.device.store.exists(name):
                self.outside = {path: to for path, to in self.outside.items() if to != name}

    def rename(self, old: str, new: str) -> None:
        if self.first_name(old) == self.first_name(new):
            return  # two names of one file: nothing is done
        if self._second.pop(new, None) is None:
            self._hand_over(new)
        if old not in self._second:
            super().rename(old, new)
            self._follow(old, new)
            return
        if self.device.store.exists(new):
            self.remove(new)
        self._second[new] = self._second.pop(old)

    def move_out_to(self, name: str, path: str) -> None:
        """Renamed to a path outside. Where the file has a second name in the store, it stays there."""
        if name in self._second:
            self.outside[path] = self._second.pop(name)[0]
            return
        heir = self._hand_over(name)
        if heir:
            self.outside[path] = heir
        else:
            self.move_out(name)

    def move_in(self, first: str, new: str) -> None:
        """A path outside that leads to a file of the store got a name in the store in its place."""
        if self.first_name(new) != first:
            if new in self._second or self.device.store.exists(new):
                self.remove(new)
            self.link("rename", first, new)

    def rename_outside(self, old: str, new: str | None) -> str | None:
        """A path outside has another name now, or one in the store. Returns the file of the store that it leads to."""
        first = self.outside.pop(old, None)
        if new is not None:
            self.outside.pop(new, None)
            if first is not None:
                self.outside[new] = first
        return first

    def finish(self) -> None:
        super().finish()
        for second, (first, line, call) in sorted(self._second.items(), key=lambda item: item[1][1]):
            self.line = line
            self.no_link(call, second, f"it is a second name of {first}")
        self._second.clear()

    def _hand_over(self, name: str) -> str:
        """Before a name goes: rename its file to the second name that it has, which is returned; "" if it has none."""
        heir = next((second for second, (first, _, _) in self._second.items() if first == name), None)
        if heir is None:
            return ""
        del self._second[heir]
        super().rename(name, heir)
        self._follow(name, heir)
        return heir

    def _follow(self, old: str, new: str) -> None:
        """A file, or a directory, has another name now."""

        def moved(name: str) -> str:
            return new + name[len(old) :] if name == old or name.startswith(old + "/") else name

        self._second = {
            moved(second): (moved(first), line, call) for second, (first, line, call) in self._second.items()
        }
        self.outside = {path: moved(name) for path, name in self.outside.items()}

    # --- copies ------------------------------------------------------------------------------------------------------

    def take(self, source: OpenFile, size_bytes: int, at: int | None) -> bytes | None:
        """So many bytes of the store's own file, from its position, which moves on, or from an offset. None if the
        store has them not."""
        start = source.position if at is None else at
        if at is None:
            source.position += size_bytes
        taken = bytearray()

        def action() -> None:
            handle = self._handle(source)
            handle.seek(start)
            taken.extend(read_whole(handle, size_bytes))

        if size_bytes > self.device.store.medium.size_bytes or not self.carried("read", source):
            return None
        self.perform("read", source.name, action, writes=False)
        if len(taken) == size_bytes:
            return bytes(taken)
        self.strange(source)
        return None

    def put(self, call: str, target: OpenFile, data: bytes | None, size_bytes: int, at: int | None, why: str) -> None:
        """Write what was taken; zeros if that is not known, and `why` says why it is not."""
        if data is None:
            self.skip(f"{call} into {target.name}: {why}")
            self.spoil_file(target, why)
            if size_bytes > self.device.store.medium.size_bytes:
                target.position += size_bytes * (at is None)
                return
        self.write(target, data or b"", 0 if data is not None else size_bytes, at)

    def size_of(self, file: OpenFile) -> int:
        """Costs nothing."""
        return file.handle.seek(0, os.SEEK_END) if file.handle is not None else 0
