"""Ten returned units: stores of differing settings, young, full, worn, after power cuts, with what was on each of them
all along. What is done with their images follows in rows 22 and 24."""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from random import Random
from typing import Any

from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.flash.datasheet import Datasheet
from simfs.flash.fault_data import Cut, Error, Faults
from simfs.flash.faults import FaultHooks
from simfs.flash.plan import Plan
from tests.goals.truth import Contents
from tests.support.rotten_files import files_of

NAMES = [f"/f{number}" for number in range(7)]
KEPT_EVERY = 12  # operations: how often an image is kept
PROGRAM_LEAVES = ("nothing", "bits half", "bits few", "all")
ERASE_LEAVES = ("nothing", "zeros half", "rising most", "weak", "all")
LAST_WORDS = b"the last words"
FRAME_BYTES_MAX = 40  # of a frame beyond its payload, padding included
KEPT_LAST = 12  # operations at the end after each of which one is kept


@dataclass(frozen=True)
class Life:
    """A chip, a store on it, and how many operations it has done; `cut_every` about so many changes, a power cut."""

    flash: dict[str, Any]
    config: dict[str, Any]
    operations: int
    bytes_max: int = 110
    cut_every: int = 0
    bad_blocks: tuple[int, ...] = ()


SMALL = {"block_count": 12, "block_bytes": 1024, "page_bytes": 128}
BYTES = {"buffer_bytes": 110, "name_bytes": 12}
TWO = {**BYTES, "log_heads": 2}
LIVES = {
    "young": Life(SMALL, BYTES, 40),
    "young, two heads": Life({"block_count": 9, "block_bytes": 2048, "page_bytes": 256}, TWO, 60),
    "full": Life(SMALL, {**BYTES, "cleaner": "cost-benefit"}, 260, 1200),
    "full, two heads, units of 4": Life({**SMALL, "program_unit_bytes": 4}, TWO, 260, 900),
    "worn": Life(SMALL, {**BYTES, "level_threshold": 1}, 1500),
    "worn, pages": Life({**SMALL, "block_bytes": 2048}, {"name_bytes": 12, "packing": "page"}, 900),
    "worn, two heads, units of 8": Life({**SMALL, "program_unit_bytes": 8}, {**TWO, "cleaner": "oldest-first"}, 1200),
    "after cuts": Life(SMALL, BYTES, 300, cut_every=40),
    "after cuts, two heads, pages": Life(
        {**SMALL, "block_bytes": 2048}, {"name_bytes": 12, "packing": "page", "log_heads": 2}, 300, cut_every=50
    ),
    "bad blocks, units of 16, folded": Life(
        {"block_count": 14, "block_bytes": 2048, "page_bytes": 256, "program_unit_bytes": 16, "page_programs_max": 8},
        {**BYTES, "fold_case": True, "idle_cleaning": True}, 400, bad_blocks=(2, 5),
    ),
}  # fmt: skip
OTHERS = {
    "16 KiB": Life({"block_count": 8, "block_bytes": 2048, "page_bytes": 256}, {}, 400, 300),
}  # of row 24 alone


class Refused(ValueError):
    """No store of these settings fits this flash."""


class Watched(FaultHooks):
    """Notes a digest of every state that the flash has had; `plan` carries out its faults meanwhile."""

    def __init__(self, plan: Plan) -> None:
        self.digests: set[bytes] = set()
        self.programmed: list[int] = []  # addresses
        self._plan = plan

    def attach(self, geometry: Any, datasheet: Datasheet) -> None:
        self._plan.attach(geometry, datasheet)

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._note(cells)
        self.programmed += range(address, address + len(data))
        self._plan.before_program(cells, address, data)

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._note(cells)
        self._plan.before_erase(cells, address, length)

    def power_on(self, cells: memoryview) -> None:
        self._note(cells)

    def _note(self, cells: memoryview) -> None:
        self.digests.add(digest_of(cells))


@dataclass(eq=False)
class Unit:
    """An image at the end of a life. `files` is what is in it, `before` what was before its newest frame, which stands
    at the addresses in `newest`. `kept` are older images of it, the oldest first; `digests` tell all states that the
    flash has had."""

    image: bytes
    datasheet: Datasheet
    files: Contents
    before: Contents
    newest: frozenset[int]
    digests: set[bytes]
    kept: list[bytes] = field(default_factory=list)

    @property
    def block_bytes(self) -> int:
        return self.datasheet.block_bytes

    @property
    def block_count(self) -> int:
        return len(self.image) // self.block_bytes

    def flash(self, image: bytes | bytearray) -> NorFlash:
        return NorFlash.from_image(image, datasheet=self.datasheet)

    def was_once(self, image: bytes | bytearray) -> bool:
        """Whether the flash really had this state: nobody can tell it from the unit as it was then."""
        return digest_of(image) in self.digests


def digest_of(image: bytes | bytearray | memoryview) -> bytes:
    return hashlib.blake2b(image, digest_size=16).digest()


@cache
def unit(name: str) -> Unit:
    """Refused when the store can't have these settings."""
    life = LIVES.get(name) or OTHERS[name]
    random = Random(name)
    watched = Watched(Plan(_faults(life, random)))
    flash = NorFlash(**life.flash, faults=watched)
    try:
        store = Store.format(flash, StoreConfig(**life.config))
    except ValueError as error:
        raise Refused(str(error)) from None
    kept: list[bytes] = []
    for number in range(life.operations):
        store = _operate(store, random, life.bytes_max)
        if number % KEPT_EVERY == 0 or life.operations - number <= KEPT_LAST:
            kept.append(flash.image())
    return _ended(store, kept, watched)


def _ended(store: Store, kept: list[bytes], watched: Watched) -> Unit:
    """The unit after one more append, of one frame and nothing else."""
    flash = store.flash
    if not store.names():
        put(store, NAMES[0], b"made anew")
    while True:
        before = contents(store)
        kept.append(flash.image())
        watched.programmed.clear()
        try:
            put(store, store.names()[0], LAST_WORDS, "a")
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise
            store.remove(store.names()[-1])
        else:
            if len(watched.programmed) <= len(LAST_WORDS) + FRAME_BYTES_MAX:
                break
    image = flash.image()
    watched.digests |= {digest_of(image), *map(digest_of, kept)}
    return Unit(image, flash.datasheet, contents(store), before, frozenset(watched.programmed), watched.digests, kept)


def _faults(life: Life, random: Random) -> Faults:
    errors = [Error("erase", block=block, for_ever=True) for block in life.bad_blocks[:1]]
    errors += [Error("program", at=9, block=block, for_ever=True) for block in life.bad_blocks[1:]]
    cuts = tuple(_cuts(life.cut_every, random)) if life.cut_every else ()
    return Faults(cuts=cuts, errors=tuple(errors), weak="power-on")


def _cuts(every: int, random: Random) -> Iterator[Cut]:
    for kind, leaves, sooner in (("program", PROGRAM_LEAVES, 1), ("erase", ERASE_LEAVES, 10)):
        at = 60 // sooner
        while at < 3000 // sooner:
            at += random.randrange(1, 2 * max(every // sooner, 2))
            yield Cut(at, random.choice(leaves), kind)


def _operate(store: Store, random: Random, bytes_max: int) -> Store:
    """One operation of any kind; a power cut in it ends with a mount. What lacks room is left undone."""
    name = random.choice(NAMES)
    work = random.choices(*zip(*WORK, strict=True))[0]
    try:
        with suppress(OSError):
            work(store, name, random, bytes_max)
    except PowerCut:
        return _mounted(store)
    return store


def _mounted(store: Store) -> Store:
    """The power may be cut in a mount as well."""
    while True:
        store.flash.power_on()
        with suppress(PowerCut):
            return Store.mount(store.flash)


def _append(store: Store, name: str, random: Random, bytes_max: int) -> None:
    put(store, name, random.randbytes(random.randrange(1, bytes_max)), "a")


def _replace(store: Store, name: str, random: Random, bytes_max: int) -> None:
    put(store, name, random.randbytes(random.randrange(bytes_max)))


def _update(store: Store, name: str, random: Random, bytes_max: int) -> None:
    with store.open(name, "r+") as file:
        file.seek(random.randrange(bytes_max))
        file.write(random.randbytes(20))


def _rename(store: Store, name: str, random: Random, bytes_max: int) -> None:
    store.rename(name, random.choice(NAMES))


def _truncate(store: Store, name: str, random: Random, bytes_max: int) -> None:
    store.truncate(name, random.randrange(bytes_max))


def _remove(store: Store, name: str, random: Random, bytes_max: int) -> None:
    store.remove(name)


def _idle(store: Store, name: str, random: Random, bytes_max: int) -> None:
    store.idle(50_000_000)


def put(store: Store, name: str, data: bytes, mode: str = "w") -> None:
    with store.open(name, mode) as file:
        file.write(data)


def contents(store: Store) -> Contents:
    return {name: data for name, data in files_of(store).items() if data is not None}


Work = Callable[[Store, str, Random, int], None]
WORK: list[tuple[Work, int]] = [
    (_append, 8), (_replace, 3), (_update, 3), (_rename, 1), (_truncate, 2), (_remove, 1), (_idle, 1),
]  # fmt: skip
