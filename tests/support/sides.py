"""Three things that take the same file operations: host files in a directory, the in-memory model, a store on flash.

The host is the outside truth. `Driver.perform` runs one operation, given as data, and reduces what came of it to
something that can be compared: a value, or the errno of the error.
"""

import array
import errno
import io
import os
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any, Protocol

from simfs import NorFlash, Store, StoreConfig
from simfs.files.model import Model
from simfs.flash.misuse import ProgramError

HOST_MODES = {"wx": "xb", "w+x": "x+b", "rb+": "r+b", "wb+": "w+b", "ab+": "a+b", "x": "xb", "x+": "x+b"}
ROOMY = StoreConfig(open_files_max=64)


class Side(Protocol):
    kind: str
    fs: Any

    def open(self, name: str, mode: str) -> Any: ...
    def exists(self, name: str) -> bool: ...
    def read(self, name: str) -> bytes: ...
    def put(self, name: str, contents: bytes) -> None: ...


class Ours:
    """A model or a store."""

    def __init__(self, fs: Any, kind: str) -> None:
        self.fs = fs
        self.kind = kind
        for method in ("open", "exists", "names", "remove", "rename", "truncate"):
            setattr(self, method, getattr(fs, method))

    def size(self, name: str) -> int:
        return int(self.fs.stat(name).size_bytes)

    def read(self, name: str) -> bytes:
        with self.fs.open(name, "rb") as file:
            return file.readall()  # type: ignore[no-any-return]

    def put(self, name: str, contents: bytes) -> None:
        with self.fs.open(name, "wb") as file:
            file.write(contents)


class Host:
    """Unbuffered files of a directory; a slash in a name becomes a letter that no test uses."""

    kind = "host"

    def __init__(self, directory: Path) -> None:
        self.fs = self
        self.directory = directory

    def path(self, name: str) -> str:
        return os.path.join(self.directory, name.replace("/", "§")) if name else ""

    def open(self, name: str, mode: str) -> Any:
        return open(self.path(name), HOST_MODES.get(mode, mode.rstrip("b") + "b"), buffering=0)

    def exists(self, name: str) -> bool:
        return os.path.exists(self.path(name))

    def names(self, prefix: str = "") -> list[str]:
        names = (name.replace("§", "/") for name in os.listdir(self.directory))
        return sorted(name for name in names if name.startswith(prefix))

    def size(self, name: str) -> int:
        return os.stat(self.path(name)).st_size

    def remove(self, name: str) -> None:
        os.remove(self.path(name))

    def rename(self, old: str, new: str) -> None:
        os.rename(self.path(old), self.path(new))

    def truncate(self, name: str, size: int) -> None:
        os.truncate(self.path(name), size)

    def read(self, name: str) -> bytes:
        return Path(self.path(name)).read_bytes()

    def put(self, name: str, contents: bytes) -> None:
        Path(self.path(name)).write_bytes(contents)


def make_side(kind: str, directory: Path, config: StoreConfig = ROOMY) -> Any:
    if kind == "host":
        return Host(directory)
    if kind == "model":
        return Ours(Model(config), kind)
    return Ours(Store.format(NorFlash(64), config), kind)


KINDS = ["host", "model", "store"]


def errno_of(action: Callable[..., Any], *arguments: Any) -> int | None:
    """The errno with which `action` is refused, None when it is done."""
    try:
        action(*arguments)
    except OSError as error:
        return error.errno
    return None


BUFFERS: dict[str, Callable[[bytes], Any]] = {
    "bytes": bytes,
    "bytearray": bytearray,
    "memoryview": lambda data: memoryview(b"-" + data)[1:],
    "array": lambda data: array.array("H", data[: len(data) & ~1]),
}
SLOTS = 4
UNFIT_NAMES = ["", "n" * 300, "a\0b"]
Operation = tuple[Any, ...]
Outcome = tuple[str, Any]


class Driver:
    """Runs operations on one side; open files sit in numbered slots. An operation on an empty slot does nothing."""

    def __init__(self, side: Any) -> None:
        self.side = side
        self.slots: list[Any] = [None] * SLOTS

    def perform(self, operation: Operation) -> Outcome:
        what, *arguments = operation
        try:
            return "value", getattr(self, "do_" + what)(*arguments)
        except io.UnsupportedOperation as error:
            return "error", errno.EBADF if self.side.kind == "host" else error.errno  # the host's carries none
        except OSError as error:
            return "error", error.errno
        except (TypeError, OverflowError) as error:
            return "error", type(error)
        except ProgramError:
            raise  # the store asked for what no flash can do
        except ValueError:  # a subclass of it (UnicodeError) says no more
            return "error", ValueError

    def positions(self) -> list[int | None]:
        return [file and file.tell() for file in self.slots]

    def contents(self) -> dict[str, bytes]:
        return {name: self.side.read(name) for name in self.side.names()}

    def close_all(self) -> None:
        for slot in range(SLOTS):
            self.do_close(slot)

    def do_open(self, slot: int, name: str, mode: str) -> None:
        self.do_close(slot)
        self.slots[slot] = self.side.open(name, mode)

    def do_close(self, slot: int) -> None:
        file, self.slots[slot] = self.slots[slot], None
        if file is not None:
            file.close()

    def on_file(self, slot: int, method: str, *arguments: Any) -> Any:
        return self.slots[slot] and getattr(self.slots[slot], method)(*arguments)

    def do_read(self, slot: int, count: int) -> Any:
        return self.on_file(slot, "read", count)

    def do_readline(self, slot: int) -> Any:
        return self.on_file(slot, "readline")

    def do_readinto(self, slot: int, count: int) -> Any:
        buffer = bytearray(b"?" * count)
        return self.on_file(slot, "readinto", buffer), buffer

    def do_write(self, slot: int, data: bytes, buffer: str) -> Any:
        return self.on_file(slot, "write", BUFFERS[buffer](data))

    def do_seek(self, slot: int, offset: int, whence: int) -> Any:
        return self.on_file(slot, "seek", offset, whence)

    def do_cut(self, slot: int, size: int | None) -> Any:
        return self.on_file(slot, "truncate", size)

    def do_flush(self, slot: int) -> Any:
        return self.on_file(slot, "flush")

    def do_size(self, name: str) -> int:
        return self.side.size(name)  # type: ignore[no-any-return]

    def do_exists(self, name: str) -> bool:
        return self.side.exists(name)  # type: ignore[no-any-return]

    def do_names(self, prefix: str) -> list[str]:
        return self.side.names(prefix)  # type: ignore[no-any-return]

    def do_remove(self, name: str) -> None:
        self.side.remove(name)

    def do_rename(self, old: str, new: str) -> None:
        self.side.rename(old, new)

    def do_truncate(self, name: str, size: int) -> None:
        self.side.truncate(name, size)


def random_operations(random: Random, count: int, names: list[str], extent: int = 3000) -> list[Operation]:
    """A sequence that works on few files in few slots, mostly with sense; `extent` is about how long files get."""
    written = "write write write write read readinto readline seek seek cut flush close"
    managing = "open open open open open remove rename truncate size exists names"

    def size() -> int:
        return random.choice((0, 1, random.randrange(8), random.randrange(64), random.randrange(extent)))

    def offset() -> int:
        return random.choice((-1, 1)) * size() if random.random() < 0.3 else size()

    def one() -> Operation:
        what = random.choice((written + " " + managing).split())
        name, slot = random.choice(names), random.randrange(SLOTS)
        arguments: dict[str, Callable[[], tuple[Any, ...]]] = {
            "open": lambda: (slot, name, random.choice(MODE_CHOICES)),
            "close": lambda: (slot,),
            "flush": lambda: (slot,),
            "readline": lambda: (slot,),
            "read": lambda: (slot, random.choice((-1, size()))),
            "readinto": lambda: (slot, size()),
            "write": lambda: (slot, random.randbytes(min(size(), extent // 2)), random.choice(list(BUFFERS))),
            "seek": lambda: (slot, offset(), random.choice((0, 0, 0, 1, 1, 2, 2, 9))),
            "cut": lambda: (slot, random.choice((None, size(), -1 if random.random() < 0.1 else size()))),
            "size": lambda: (name,),
            "exists": lambda: (name,),
            "names": lambda: (random.choice(("", name[:2], name)),),
            "remove": lambda: (name,),
            "rename": lambda: (name, random.choice(names)),
            "truncate": lambda: (name, offset()),
        }
        return (what, *arguments[what]())

    return [one() for _ in range(count)]


MODE_CHOICES = ["r", "w", "a", "r+", "r+", "w+", "a+", "wx", "w+x", "rb+", "r+b", "wb+", "a+b"]


def wrongs(driver: Driver, operation: Operation) -> int:
    """How much is wrong with names and size of a rename or truncate: POSIX leaves open which error comes first."""
    what, *arguments = operation
    if what == "rename":
        return (arguments[0] not in driver.side.names()) + (arguments[1] in UNFIT_NAMES)
    if what == "truncate":
        return (arguments[0] not in driver.side.names()) + (arguments[1] < 0)
    return 0


def disagreement(one: Driver, other: Driver, operation: Operation) -> str | None:
    """Runs an operation on both sides; what differs afterwards in outcome or positions."""
    doubly_wrong = wrongs(one, operation) > 1
    outcomes = one.perform(operation), other.perform(operation)
    if outcomes[0] != outcomes[1] and not (doubly_wrong and outcomes[0][0] == outcomes[1][0] == "error"):
        return f"{operation}: {one.side.kind} gave {outcomes[0]}, {other.side.kind} gave {outcomes[1]}"
    positions = one.positions(), other.positions()
    if positions[0] != positions[1]:
        return f"{operation}: {one.side.kind} stands at {positions[0]}, {other.side.kind} at {positions[1]}"
    return None


def difference(one: Driver, other: Driver) -> str | None:
    """The first file whose contents differ."""
    seen, wanted = one.contents(), other.contents()
    for name in sorted(seen.keys() | wanted.keys()):
        if seen.get(name) != wanted.get(name):
            return f"{name!r}: {one.side.kind} has {seen.get(name)!r}, {other.side.kind} has {wanted.get(name)!r}"
    return None
