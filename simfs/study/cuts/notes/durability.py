"""The durability rule as a model: what each file call makes durable, worked out from the calls alone.

Bytes that wait in a file's buffer are lost in a power cut, so they are kept apart. Of files only the sizes are kept;
the events say what changes.
"""

from __future__ import annotations

from collections.abc import Iterator

from simfs.files.heard import FileCall
from simfs.files.modes import parse_mode
from simfs.files.names import NameRule
from simfs.store.format.config import StoreConfig
from simfs.study.cuts.notes.history import Contents, Event


class _File:
    """A file, named or not. `name` is the one it was created with, None once it is removed."""

    __slots__ = ("durable_bytes", "name", "waiting", "waits_at")

    def __init__(self, name: str | None, durable_bytes: int = 0) -> None:
        self.name = name
        self.durable_bytes = durable_bytes
        self.waiting = b""
        self.waits_at = 0

    @property
    def size_bytes(self) -> int:
        return max(self.durable_bytes, self.waits_at + len(self.waiting)) if self.waiting else self.durable_bytes


class Persistence:
    """Follows the calls on a store with this configuration; `buffer_bytes` is its write buffer."""

    def __init__(self, config: StoreConfig, buffer_bytes: int, contents: Contents) -> None:
        self._rule = NameRule(config.name_bytes, config.overlong, config.fold_case)
        self._buffer_bytes = buffer_bytes
        self._named = {self._key(name): _File(name, len(data)) for name, data in contents.items()}
        self._opened: dict[int, _File] = {}
        self._only_read: set[int] = set()  # handles that flush and close without a spill
        self._call = 0

    def events_of(self, number: int, call: FileCall) -> list[Event]:
        """The persistence events of a call, in order. A call that was refused for want of room may have spilled what
        waited before it; a call refused for any other reason did nothing."""
        self._call = number
        if call.error not in ("", "ENOSPC"):
            return []
        return list(getattr(self, f"_{call.kind}")(call))

    def _key(self, name: str) -> bytes:
        return self._rule.key(name.encode("utf-8", "surrogateescape"))

    def _put(self, file: _File, length: int) -> Iterator[Event]:
        """The first `length` of the waiting bytes become durable."""
        data, at = file.waiting[:length], file.waits_at
        file.waiting, file.waits_at = file.waiting[length:], at + length
        file.durable_bytes = max(file.durable_bytes, at + len(data))
        if file.name is not None:
            yield Event(self._call, "put", file.name, at, data)

    def _spill(self, file: _File) -> Iterator[Event]:
        if file.waiting:
            yield from self._put(file, len(file.waiting))

    def _resize(self, file: _File, size_bytes: int) -> Iterator[Event]:
        file.durable_bytes = size_bytes
        if file.name is not None:
            yield Event(self._call, "size", file.name, size_bytes)

    def _open(self, call: FileCall) -> Iterator[Event]:
        file = self._named.get(self._key(call.name))
        if file is not None and parse_mode(call.mode).truncates:
            yield from self._truncate_file(file, 0, refused=bool(call.error))
        if call.error:
            return
        if file is None:
            file = self._named[self._key(call.name)] = _File(call.name)
            yield from self._resize(file, 0)
        self._opened[call.handle] = file
        if not parse_mode(call.mode).writes:
            self._only_read.add(call.handle)

    def _write(self, call: FileCall) -> Iterator[Event]:
        file = self._opened[call.handle]
        at = file.size_bytes if call.at < 0 else call.at
        if not file.waits_at <= at <= file.waits_at + len(file.waiting):
            yield from self._spill(file)
        if call.error:
            return
        if not file.waiting:
            file.waits_at = at
        within = at - file.waits_at
        file.waiting = file.waiting[:within] + call.data + file.waiting[within + len(call.data) :]
        while len(file.waiting) >= self._buffer_bytes:
            yield from self._put(file, self._buffer_bytes)

    def _flush(self, call: FileCall) -> Iterator[Event]:
        if not call.error and call.handle not in self._only_read:
            yield from self._spill(self._opened[call.handle])

    def _close(self, call: FileCall) -> Iterator[Event]:
        yield from self._flush(call)
        del self._opened[call.handle]

    def _truncate(self, call: FileCall) -> Iterator[Event]:
        file = self._opened[call.handle] if call.handle else self._named[self._key(call.name)]
        yield from self._truncate_file(file, call.at, refused=bool(call.error))

    def _truncate_file(self, file: _File, size_bytes: int, refused: bool) -> Iterator[Event]:
        file.waiting = file.waiting[: max(size_bytes - file.waits_at, 0)]
        yield from self._spill(file)
        if size_bytes != file.durable_bytes and not refused:
            yield from self._resize(file, size_bytes)

    def _remove(self, call: FileCall) -> Iterator[Event]:
        if not call.error:
            file = self._named.pop(self._key(call.name))
            assert file.name is not None
            yield Event(self._call, "remove", file.name)
            file.name = None

    def _rename(self, call: FileCall) -> Iterator[Event]:
        old, new = self._key(call.name), self._key(call.to)
        file = self._named[old]
        if call.error or file.name == call.to:
            return
        replaced = self._named.get(new)
        spelled = ""
        if replaced is not None and replaced is not file:
            assert replaced.name is not None
            spelled, replaced.name = replaced.name, None
        assert file.name is not None
        yield Event(self._call, "rename", file.name, to=call.to, replaces=spelled)
        file.name = call.to
        del self._named[old]
        self._named[new] = file

    def _idle(self, _call: FileCall) -> Iterator[Event]:
        return iter(())

    def _mount(self, _call: FileCall) -> Iterator[Event]:
        """A mount: what waited is lost, and no file is open."""
        for file in [*self._named.values(), *self._opened.values()]:
            file.waiting = b""
        self._opened.clear()
        return iter(())
