"""Holds the promise about images: mount, read everything, check, work, mount again; only documented errors, and no
more flash work than the image is worth."""

from __future__ import annotations

import errno
import traceback
from random import Random

from simfs import CorruptStore, NorFlash, Store
from tests.hostile.inputs.bases import SHAPES, Base

# Bytes read, programmed and erased, and 16 for each operation, in images. The most that was seen is a quarter of each.
LOOK_FACTOR = 8  # a read-only mount
SETTLE_FACTOR = 32  # a mount that may write
SESSION_FACTOR = 120  # all that follows it here, four more mounts among it
READ_BYTES_MAX = 2048  # how much of a file is read at either end: a hole may make it 4 GiB long
DOCUMENTED = {errno.ENOSPC, errno.EFBIG, errno.ENOENT, errno.EEXIST, errno.ENAMETOOLONG, errno.EROFS}


class OverBudget(BaseException):
    """More flash work than the promise allows: a hang, were it not counted."""


class Budget:
    """A fault plan that only counts."""

    def __init__(self, most_bytes: int) -> None:
        self.left_bytes = most_bytes

    def _spend(self, size_bytes: int) -> None:
        self.left_bytes -= size_bytes + 16
        if self.left_bytes < 0:
            raise OverBudget

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        self._spend(length)

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._spend(len(data))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._spend(length)


def flash_of(base: Base, factor: int) -> NorFlash:
    """The flash that holds the image, with a budget of so many images."""
    sheet = SHAPES[base.shape].datasheet()
    return NorFlash.from_image(base.image, datasheet=sheet, faults=Budget(factor * len(base.image)))


def judge_image(base: Base, crafted: bool = True) -> tuple[str, str | None]:
    """How it ended, and what broke the promise, if anything did. `crafted`: it may tell of two histories at once, all
    with sound checksums; then a read-only mount and another may each believe one of them."""
    step = "read-only mount"
    try:
        seen = _look(base)
        step = "mount"
        worked = _work(base, seen, crafted)
    except OverBudget:
        return "hang", f"{step}: more flash work than the budget"
    except Broken as broken:
        return "broken", f"{broken}"
    except Exception as error:
        return type(error).__name__, f"{step}: {type(error).__name__}: {error} ({_way_to(error)})"
    return ("refused" if seen is None else "read") + ", " + worked, None


class Broken(Exception):
    """The promise is broken though no wrong exception came."""


def _way_to(error: Exception) -> str:
    """The functions of the store that it came through, the last ones."""
    calls = traceback.extract_tb(error.__traceback__)
    way = [f"{call.name}:{call.lineno}" for call in calls if "/store/" in call.filename]
    return " > ".join(way[-5:])


def _look(base: Base) -> dict[str, int] | None:
    """Mount read-only and read all; sizes by name. None: refused. Writes nothing."""
    flash = flash_of(base, LOOK_FACTOR)
    try:
        store = Store.mount(flash, read_only=True)
    except CorruptStore as error:
        _is_documented(error)
        store = None
    if store is not None:
        flash._faults.left_bytes += SESSION_FACTOR * len(base.image)
        _read_all(store)
        store.check()
    if flash.image() != base.image or flash.programs or flash.erases:
        raise Broken("a read-only mount wrote")
    return None if store is None else {name: store.stat(name).size_bytes for name in store.names()}


def _is_documented(error: OSError) -> None:
    if isinstance(error, CorruptStore):
        if error.errno != errno.EIO or not error.strerror or "\n" in error.strerror:
            raise Broken(f"CorruptStore says {error!r}")
    elif error.errno not in DOCUMENTED:
        raise error


def _read_all(store: Store) -> None:
    """Every file's beginning and end, and all that the store tells of itself."""
    for name in store.names():
        size = store.stat(name).size_bytes
        try:
            with store.open(name) as file:
                found = len(file.read(READ_BYTES_MAX) or b"")
                if found != min(size, READ_BYTES_MAX):
                    raise Broken(f"{name!r} has {size} bytes and gives {found}")
                file.seek(max(size - READ_BYTES_MAX, 0))
                file.read(READ_BYTES_MAX)
        except OSError as error:
            _is_documented(error)
    store.usage()
    store.blocks()
    store.ram()


def _work(base: Base, seen: dict[str, int] | None, crafted: bool) -> str:
    """Mount for writing, work, mount again."""
    flash = flash_of(base, SETTLE_FACTOR)
    try:
        store = Store.mount(flash)
    except CorruptStore as error:
        _is_documented(error)
        return "refused"
    except OSError as error:
        _is_documented(error)
        return f"mount {errno.errorcode[error.errno or 0]}"
    flash._faults.left_bytes += SESSION_FACTOR * len(base.image)
    found = {name: store.stat(name).size_bytes for name in store.names()}
    differs = seen is not None and found != seen
    if differs and not crafted:
        raise Broken(f"read-only it shows {seen}, writable {found}")
    _read_all(store)
    random = Random(len(base.image))
    try:
        _operate(store, random)
        store.check()
        store = Store.mount(flash)
        _read_all(store)
        _operate(store, random)
        return _mount_twice(flash) + ", on another answer" * differs
    except CorruptStore as error:
        _is_documented(error)
        return "worked until damage was met"


def _mount_twice(flash: NorFlash) -> str:
    """The second of two mounts finds what the first did."""
    names = Store.mount(flash).names()
    before = flash.programs, flash.erases
    again = Store.mount(flash)
    if again.names() != names:
        raise Broken(f"a mount finds {names}, the next one {again.names()}")
    again.check()
    return "worked" if (flash.programs, flash.erases) == before else "worked, and a second mount wrote"


def _operate(store: Store, random: Random) -> None:
    """Some of everything; a full store may refuse, damage may be met."""
    names = [*store.names()[:6], "new"]
    for _ in range(8):
        name = random.choice(names)
        what = random.randrange(6)
        try:
            if what < 3:
                _write(store, name, random)
            elif what == 3:
                store.rename(name, random.choice(names))
            elif what == 4:
                store.truncate(name, random.choice((0, 7, 300)))
            else:
                store.remove(name)
            store.idle(10**9)
        except OSError as error:
            _is_documented(error)


def _write(store: Store, name: str, random: Random) -> None:
    data = random.randbytes(random.randrange(1, 90))
    with store.open(name, "w") as file:
        file.write(data)
    with store.open(name) as file:
        found = file.read(READ_BYTES_MAX)
    if found != data:
        raise Broken(f"{len(data)} bytes were written, {len(found or b'')} others came back")
