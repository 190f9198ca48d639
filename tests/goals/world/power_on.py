"""One power-on of a small flash whose cells read as given: mount, perhaps an operation. It depends on nothing else, so
that it is done once for each image."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from zlib import crc32

from simfs import NorFlash, Store
from simfs.flash import FaultHooks
from simfs.flash.interrupted import Profile, spoiled
from simfs.flash.trace import Change
from tests.goals.world.chips import Noted
from tests.goals.world.settings import OPERATIONS, Contents, World

GRANULE_BYTES = 16
KEPT_MAX = 200_000  # outcomes
CHECK_ONE_IN = 8


class Broken(Exception):
    """The store broke a promise."""


@dataclass
class Outcome:
    """What a power-on came to. `marks` are the acknowledged states: after so many changes the store holds this.
    `touched` has a bit for each granule of the flash that was read or programmed: what stands elsewhere can't matter.
    `stands` tells apart the ways in which the store may stand after its mount. `problem`: the promise that it broke."""

    noted: tuple[Noted, ...] = ()
    mount_changes: int = 0
    marks: tuple[tuple[int, Contents], ...] = ()
    touched: int = 0
    stands: str = ""
    problem: str = ""

    @property
    def found(self) -> Contents:
        """What the mount found."""
        return self.marks[0][1]

    @property
    def left(self) -> Contents:
        """What the store held in the end."""
        return self.marks[-1][1]


def granules(start: int, end: int) -> int:
    """The bits of the granules from one address to another."""
    first = start // GRANULE_BYTES
    return (1 << -(-end // GRANULE_BYTES)) - (1 << first)


class Notes(FaultHooks):
    """Notes every change and what is touched."""

    def __init__(self, world: World) -> None:
        self._profile, self._geometry = world.profile, world.flash.geometry
        self._noted: list[Noted] = []
        self.touched = 0

    def __len__(self) -> int:
        return len(self._noted)

    def noted(self) -> tuple[Noted, ...]:
        return tuple(self._noted)

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        self.touched |= granules(address, address + length)

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self.touched |= granules(address, address + len(data))
        self._note(cells, Change(address, bytes(data)))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._note(cells, Change(address, None))

    def _note(self, cells: memoryview, change: Change) -> None:
        start, end = spoiled(change, self._profile, self._geometry)
        whole = change.data is None or self._profile is not Profile.PROGRAM
        self._noted.append(Noted(change, bytes(cells[start:end]) if whole else b""))


class PowerOns:
    """Power-ons of one world. `count` is how many there were, those of a kept outcome left out."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.count = 0
        self._kept: dict[tuple[bytes, str], Outcome] = {}

    def mount(self, image: bytes) -> Outcome:
        """Mount to write, and judge what can be judged without knowing what was before."""
        return self._once(image, "")

    def operate(self, image: bytes, operation: str) -> Outcome:
        """Mount to write and perform an operation."""
        return self._once(image, operation)

    def _once(self, image: bytes, operation: str) -> Outcome:
        key = image, operation
        outcome = self._kept.get(key)
        if outcome is None:
            if len(self._kept) >= KEPT_MAX:
                self._kept.clear()
            outcome = self._kept[key] = self._run(image, operation)
        return outcome

    def flash(self, image: bytes, notes: Notes | None = None) -> NorFlash:
        self.count += 1
        return NorFlash.from_image(image, datasheet=self.world.flash.datasheet, faults=notes)

    def _run(self, image: bytes, operation: str) -> Outcome:
        notes, outcome = Notes(self.world), Outcome()
        try:
            store = Store.mount(self.flash(image, notes))
            outcome.mount_changes = len(notes)
            steps = self._perform(store, operation) if operation else self._judge(store, image, notes, outcome)
            for contents in steps:
                outcome.marks += ((len(notes), contents),)
        except Exception as error:
            said = str(error) if isinstance(error, Broken) else f"{type(error).__name__}: {error}"
            outcome.problem = f"{operation or 'mount'}: {said}"
        outcome.noted = outcome.noted or notes.noted()
        outcome.touched |= notes.touched
        return outcome

    def _perform(self, store: Store, operation: str) -> Iterator[Contents]:
        contents = contents_of(store)
        yield contents
        for now in OPERATIONS[operation](store, contents):
            contents = now
            yield contents
        if contents_of(store) != contents:
            raise Broken(f"the store shows {shown(contents_of(store))}, not {shown(contents)}")

    def _judge(self, store: Store, image: bytes, notes: Notes, outcome: Outcome) -> Iterator[Contents]:
        found = contents_of(store)
        yield found
        outcome.stands = f"{store.usage()} {store.blocks()} {store.doubts}"
        if store.read_only:
            raise Broken("a mount to write leaves the store read-only")
        outcome.noted = notes.noted()
        if outcome.noted:
            self._judge_what_was_written(store, image, found, outcome)

    def _judge_what_was_written(self, store: Store, image: bytes, found: Contents, outcome: Outcome) -> None:
        """By mounts that must find the same and write nothing."""
        problems = store.check() if crc32(image) % CHECK_ONE_IN == 0 else []  # a mount more, and all bytes
        if problems:
            raise Broken(f"check: {'; '.join(problems)}")
        again = Notes(self.world)
        read_only = contents_of(Store.mount(self.flash(image, again), read_only=True))
        outcome.touched |= again.touched
        if len(again):
            raise Broken(f"a read-only mount makes {len(again)} changes")
        if read_only != found:
            raise Broken(f"a read-only mount finds {shown(read_only)}, one that may write {shown(found)}")
        second = self.mount(store.flash.image())
        if second.noted:
            raise Broken(f"a second mount makes {len(second.noted)} changes")
        if second.problem or second.found != found:
            raise Broken(f"a second mount: {second.problem or shown(second.found)}")


def contents_of(store: Store) -> Contents:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.read() or b""
    return found


def shown(contents: Contents) -> str:
    """In a few words: runs of one byte count once, with their length."""
    return "{" + ", ".join(f"{name}: {_runs(data)!r}" for name, data in sorted(contents.items())) + "}"


def _runs(data: bytes) -> str:
    runs = [(chr(byte), len(list(same))) for byte, same in groupby(data)]
    return "".join(char if count == 1 else f"{char}*{count} " for char, count in runs).rstrip()
