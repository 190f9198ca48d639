"""Tells a listener of the calls on a store and its open files: for code that needs more than the medium sees."""

from __future__ import annotations

import io
import os
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from simfs.files.names import Name, NameRule

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer

    from simfs.files.opened.stream import Stream

NOT_TOLD = nullcontext()
"""The context of a call that nobody listens to."""


@dataclass(frozen=True, slots=True)
class FileCall:
    """One call on a store or an open file.

    `kind` is "open", "read", "write", "flush", "close", "truncate", "remove", "rename", "idle", "mount", or "bring" of
    a store on flash and card. `name` is the full path as it was given. `handle` numbers the open files from 1 on, 0:
    the call goes by the name. `error` is the errno's name when the store refused it.
    """

    kind: str
    name: str = ""
    handle: int = 0
    mode: str = ""  # of an open
    at: int = 0  # where a write lands in the file, -1: at its end; the new size of a truncate; ns of an idle time
    data: bytes = b""  # of a write
    to: str = ""  # the new name of a rename
    error: str = ""


class CallListener(Protocol):
    """Listens to calls."""

    def call(self, call: FileCall) -> AbstractContextManager[None]:
        """The call is made within this context. What the store raises comes out of it."""


class Calls:
    """The listener to the calls on a store, over its boots too, and the number of files opened so far."""

    def __init__(self, listener: CallListener) -> None:
        self.tell = listener.call
        self.opened = 0

    def opening(self, name: Name, prefix: str, mode: str) -> AbstractContextManager[None]:
        """A file is being opened; its handle is `opened`."""
        self.opened += 1
        return self.tell(FileCall("open", full_name(name, prefix), self.opened, mode))

    def named(self, kind: str, name: Name, prefix: str, *, at: int, to: Name) -> AbstractContextManager[None]:
        """A call on a name, or on none."""
        return self.tell(FileCall(kind, full_name(name, prefix), at=at, to=full_name(to, prefix)))


class HeardFile(io.RawIOBase):
    """An open file that tells of its calls, and is otherwise the file itself."""

    def __init__(self, file: Stream, calls: Calls) -> None:
        self._file, self._tell, self._handle = file, calls.tell, calls.opened
        self.name, self.mode = file.name, file.mode

    @property
    def closed(self) -> bool:
        return self._file.closed

    def readable(self) -> bool:
        return self._file.readable()

    def writable(self) -> bool:
        return self._file.writable()

    def seekable(self) -> bool:
        return self._file.seekable()

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        with self._told("read"):
            return self._file.readinto(buffer)

    def read(self, size: int | None = -1, /) -> bytes | None:
        return super().read(-1 if size is None else size)

    def write(self, data: ReadableBuffer, /) -> int:
        taken = memoryview(data).cast("B").tobytes()
        with self._told("write", -1 if self.mode.startswith("a") else self._file.tell(), taken):
            return self._file.write(taken)

    def truncate(self, size: int | None = None, /) -> int:
        with self._told("truncate", self._file.tell() if size is None else size):
            return self._file.truncate(size)

    def flush(self) -> None:
        with self._told("flush"):
            self._file.flush()

    def close(self) -> None:
        if not self.closed:
            with self._told("close"):
                self._file.close()

    def _told(self, kind: str, at: int = 0, data: bytes = b"") -> AbstractContextManager[None]:
        return self._tell(FileCall(kind, handle=self._handle, at=at, data=data))


def full_name(name: Name, prefix: str) -> str:
    """A name with the working prefix, as it was given: it may be too long, or none at all."""
    path = os.fspath(name)
    text = path if isinstance(path, str) else NameRule.decode(path)
    return prefix + text if prefix and text and text[0] != "/" else text
