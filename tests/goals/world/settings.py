"""The worlds: the smallest stores that can do the work, the operations on them, and where a search begins."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import islice, product

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Rng
from simfs.flash.interrupted import Profile

Contents = dict[str, bytes]
Operation = Callable[[Store, Contents], Iterator[Contents]]
"""Changes the store, which holds these contents, and yields them anew whenever one more event is acknowledged."""

LETTERS = b"xyz"
BUFFER_BYTES_MIN = 16
APPENDED_MAX = 3  # records; a longer file is not appended to, so that it always has room
IDLE_NS = 10**10


def record_bytes(config: StoreConfig) -> int:
    """One byte with the smallest buffer; more with a larger one."""
    return (config.buffer_bytes or 0) - BUFFER_BYTES_MIN + 1


def _append(name: str) -> Operation:
    def append(store: Store, contents: Contents) -> Iterator[Contents]:
        old = contents.get(name)
        with store.open(name, "a") as file:
            if old is None:
                yield contents | {name: b""}
            length = record_bytes(store.config)
            added = b"%d" % (len(old or b"") // length) * length
            file.write(added)
        yield contents | {name: (old or b"") + added}

    return append


def _save(name: str) -> Operation:
    def save(store: Store, contents: Contents) -> Iterator[Contents]:
        old = contents.get(name)
        with store.open(name, "w") as file:
            if old != b"":
                yield contents | {name: b""}
            letter = LETTERS[(LETTERS.find((old or b"z")[:1]) + 1) % len(LETTERS)]
            data = bytes((letter,)) * record_bytes(store.config)
            file.write(data)
        yield contents | {name: data}

    return save


def _remove(name: str) -> Operation:
    def remove(store: Store, contents: Contents) -> Iterator[Contents]:
        store.remove(name)
        yield {other: data for other, data in contents.items() if other != name}

    return remove


def _work(store: Store, contents: Contents) -> Iterator[Contents]:
    """Several changes without a mount between."""
    for name in ("append a", "append b"):
        for contents in OPERATIONS[name](store, contents):  # noqa: B020 - each is what it holds now
            yield contents


def _idle(store: Store, contents: Contents) -> Iterator[Contents]:
    store.idle(IDLE_NS)
    yield contents


OPERATIONS: dict[str, Operation] = {
    "append a": _append("a"), "append b": _append("b"), "save b": _save("b"), "remove a": _remove("a"), "work": _work,
    "idle": _idle,
}  # fmt: skip
LIFE = ("append a", "append b", "append a", "save b", "append b", "append a", "remove a", "append b")


def perform(store: Store, contents: Contents, name: str) -> Contents:
    """The whole operation. What the store holds then."""
    return [contents, *OPERATIONS[name](store, contents)][-1]


def possible(name: str, contents: Contents, config: StoreConfig) -> bool:
    """Whether the operation makes sense on a store that holds this."""
    what, _, file = name.partition(" ")
    if what == "idle":
        return config.idle_cleaning
    if what == "remove":
        return file in contents
    appended = ("a", "b") if what == "work" else (file,)
    longest = APPENDED_MAX * record_bytes(config)
    return what == "save" or all(len(contents.get(name, b"")) < longest for name in appended)


class NoWorld(Exception):
    """No store of this kind is small enough, or able to do the work."""


@dataclass(frozen=True)
class World:
    """A kind of store. Its flash is the smallest on which a life of some length goes well; `page_bytes` 0: also that of
    the smallest pages."""

    page_bytes: int = 0
    buffer_bytes: int = 16
    heads: int = 1
    packing: str = "byte"
    idle: bool = False
    profile: Profile = Profile.PROGRAM
    unit_bytes: int = 1

    @cached_property
    def config(self) -> StoreConfig:
        return StoreConfig(
            log_heads=self.heads, packing=self.packing, idle_cleaning=self.idle, name_bytes=2,
            buffer_bytes=self.buffer_bytes, level_threshold=2,
        )  # fmt: skip

    @cached_property
    def flash(self) -> NorFlash:
        """A blank one. NoWorld when none does."""
        for page_bytes in (self.page_bytes,) if self.page_bytes else (16, 32, 64):
            steps = range(page_bytes, 1025, page_bytes)
            for block_count, block_bytes in product(range(4, 9), steps):
                sizes = block_count, block_bytes, page_bytes
                with suppress(ValueError, OSError):
                    self._walk(NorFlash(*sizes, program_unit_bytes=self.unit_bytes))
                    return NorFlash(*sizes, program_unit_bytes=self.unit_bytes)
        raise NoWorld(f"no store of {self} can do the work")

    def _walk(self, flash: NorFlash) -> None:
        """A long random walk over the operations, now and then with a mount between. OSError when one is refused."""
        store, contents, rng = Store.format(flash, self.config), dict[str, bytes](), Rng(0, "walk")
        for _ in range(WALK_OPERATIONS):
            names = [name for name in OPERATIONS if possible(name, contents, self.config)]
            contents = perform(store, contents, names[rng.below(len(names))])
            if rng.below(2):
                store = Store.mount(flash)

    def life(self, flash: NorFlash) -> Iterator[tuple[bytes, Contents]]:
        """The flash and what it holds, freshly formatted and after each operation of a long life without a cut."""
        store, contents = Store.format(flash, self.config), dict[str, bytes]()
        yield flash.image(), contents
        while True:
            for name in (*LIFE, *(["idle"] if self.idle else [])):
                if possible(name, contents, self.config):
                    contents = perform(store, contents, name)
                    yield flash.image(), contents

    @cache  # noqa: B019 - there are a few worlds
    def start(self, number: int) -> tuple[bytes, Contents]:
        """Where search `number` begins: 0 is a new store, the others are in a life that has erased every block."""
        flash = self.flash.copy()
        life = self.life(flash)
        first = next(life)
        if number == 0:
            return first
        while not all(flash.erase_counts):
            next(life)
        return next(islice(life, number - 1, None))


WALK_OPERATIONS = 300
WORLDS = {
    "one head, pages of 64": World(page_bytes=64),
    "two heads, pages of 64": World(page_bytes=64, heads=2),
    "one head": World(),
    "two heads": World(heads=2),
    "one head, frames of three pages": World(page_bytes=32, buffer_bytes=76),
    "one head, page packing": World(page_bytes=64, packing="page"),
    "one head, page packing, spoiled pages": World(page_bytes=64, packing="page", profile=Profile.PAGE),
    "two heads, idle cleaning": World(heads=2, idle=True),
    "one head, units of 8": World(page_bytes=128, unit_bytes=8),
    "one head, units of 8, page packing": World(page_bytes=64, unit_bytes=8, packing="page"),
}
