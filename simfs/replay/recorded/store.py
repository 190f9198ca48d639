"""Does to the store what the calls of a recording did, on open files and on names."""

from __future__ import annotations

from simfs.replay.recorded.files import RecordedFiles


class RecordedStore(RecordedFiles):
    """Performs recorded operations on a device's store."""

    def truncate_name(self, name: str, size_bytes: int) -> None:
        if self._known("truncate", name):
            self.in_order(name)
            self.perform("truncate", name, lambda: self.device.store.truncate(name, size_bytes), writes=True)
            self._truncated(name, size_bytes)

    def remove(self, name: str) -> None:
        if self._known("remove", name):
            self.in_order(name)
            self.perform("remove", name, lambda: self.device.store.remove(name), writes=True)
            self._unlink(name)
        self.differing.remove(name)

    def rename(self, old: str, new: str) -> None:
        """A file, or a directory: then every name below it."""
        below = [] if self.device.store.exists(old) else self.device.store.names(old + "/")
        if below or old in self._directories:
            for name in below:
                self._rename_file(name, new + name[len(old) :])
                self.differing.rename(name, new + name[len(old) :])
            self._directories |= {
                new + name[len(old) :] for name in self._directories if f"{name}/".startswith(f"{old}/")
            }
        elif old != new:
            if self._known("rename", old):
                self._rename_file(old, new)
            self.differing.rename(old, new)

    def move_out(self, old: str) -> None:
        """Renamed to a place outside: gone from the store."""
        for name in [old] if self.device.store.exists(old) else self.device.store.names(old + "/") or [old]:
            self.remove(name)

    def add_directory(self, name: str) -> None:
        """Note a directory. The store has none, but a directory's name must not be taken for a file's."""
        self.tell("directory made", name)
        self._directories.add(name)
        self.differing.is_new_directory(name)

    def finish(self) -> None:
        """The recording is over: what was left open is closed."""
        for file in sorted(self._open, key=lambda file: file.name):
            self.close(file)

    def _known(self, operation: str, name: str) -> bool:
        known = self.device.store.exists(name) or name in self._refused
        if not known:
            why = self.differing.why(name) or self.unknown
            self.skip(f"{operation} of {name}: {why}")
            self.spoil(name, why)
        return known

    def _rename_file(self, old: str, new: str) -> None:
        self.names.setdefault(new)
        self.in_order(old)
        self.in_order(new)
        if self.perform("rename", f"{old} -> {new}", lambda: self.device.store.rename(old, new), writes=True):
            self._unlink(new)
            for file in self._open:
                if file.linked and file.name == old:
                    file.name = new
            if old in self._refused:
                self._refused.add(new)
        else:
            self._refused |= {old, new}

    def _unlink(self, name: str) -> None:
        for file in self._open:
            if file.name == name:
                file.linked = False
