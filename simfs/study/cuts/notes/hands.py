"""Makes file calls on a store, with the files that they have open."""

from __future__ import annotations

from simfs.files import Store
from simfs.files.handle import StoreFile
from simfs.files.heard import FileCall


class Hands:
    """The open files by their handles."""

    def __init__(self) -> None:
        self.files: dict[int, StoreFile] = {}

    def make(self, store: Store, call: FileCall) -> Store:
        """Make one call. Returns the store to go on with. A call on a file that is not open does nothing."""
        file = self.files.get(call.handle)
        if call.kind == "open":
            self.files[call.handle] = store.open(call.name, call.mode)
        elif call.kind == "mount":
            self.files.clear()
            return store.boot()
        elif call.kind == "idle":
            store.idle(call.at)
        elif call.kind == "remove":
            store.remove(call.name)
        elif call.kind == "rename":
            store.rename(call.name, call.to)
        elif call.kind == "truncate" and not call.handle:
            store.truncate(call.name, call.at)
        elif file is not None:
            self._on_file(file, call)
        return store

    def _on_file(self, file: StoreFile, call: FileCall) -> None:
        if call.kind == "write":
            file.seek(call.at if call.at >= 0 else 0, 0 if call.at >= 0 else 2)
            file.write(call.data)
        elif call.kind == "truncate":
            file.truncate(call.at)
        elif call.kind == "flush":
            file.flush()
        else:
            self.files.pop(call.handle).close()
