"""Row 9: random operations on a store and on the model, on stores so small that the cleaner always works, mounted anew
every 50 operations. Outcomes and positions are compared at each operation, all contents at each mount."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterable
from random import Random
from typing import Any

from simfs import NorFlash, Store
from simfs.files.model import Model
from tests.goals.table import Outcome, Row, shares
from tests.store.test_differential_remount import NAMES, SETTINGS, config_of

PART_OPERATIONS = 20_000
MOUNT_EVERY = 50
CHECK_EVERY = 20  # mounts
SLOTS = 4
MODES = ("r", "w", "a", "r+", "r+", "w+", "a+", "a", "a", "wx", "r+")
SIZES = (0, 1, 5, 16, 40, 60, 100, 250, 700)
WEIGHTS = {
    "write": 8, "read": 3, "seek": 3, "flush": 1, "close": 2, "cut": 1,
    "open": 5, "remove": 1, "rename": 1, "truncate": 1, "size": 1, "list_names": 1,
}  # fmt: skip


class Differs(AssertionError):
    """Store and model do not agree."""


class Walk:
    """One random walk: the next operation follows from the seed and from what both sides did until now."""

    def __init__(self, setting: str, seed: int) -> None:
        self.config = config_of(setting)
        self.flash = NorFlash(**SETTINGS[setting][0])
        self.store, self.model = Store.format(self.flash, self.config), Model(self.config)
        random = Random(f"row 9 {setting} {seed}")
        self.random = random.random
        self.noise = random.randbytes(4096)
        self.draw_habits = lambda: (
            random.choice((20, 100, 250, 700)),
            random.choice((100, 300, 1000, 3000)),
            NAMES[: random.randrange(1, len(NAMES) + 1)],
        )
        self.size_max, self.extent, self.names = self.draw_habits()
        self.slots: list[tuple[Any, Any] | None] = [None] * SLOTS
        self.done = self.mounts = self.refused = self.cleanings = 0
        self.last = ""
        self.choices: list[Callable[[], None]] = [
            getattr(self, what) for what, weight in WEIGHTS.items() for _ in range(weight)
        ]

    def go(self, operations: int) -> None:
        random, choices = self.random, self.choices
        count = len(choices)
        while self.done < operations:
            self.done += 1
            choices[int(random() * count)]()
            if self.done % MOUNT_EVERY == 0:
                self.mount()

    def both(self, ours: Callable[..., Any], truth: Callable[..., Any], *arguments: Any) -> Any:
        """The same on both sides. Lack of room is the store's alone: the model sits out."""
        try:
            found = ours(*arguments)
        except OSError as error:
            if error.errno == errno.ENOSPC:
                self.refused += 1
                return None
            found = (error.errno,)
        try:
            wanted = truth(*arguments)
        except OSError as error:
            wanted = (error.errno,)
        if found != wanted:
            raise Differs(f"{ours.__name__}{arguments}: the store gave {found}, the model {wanted}")
        return found

    def on_slot(self, method: str, *arguments: Any) -> None:
        slot = self.slots[int(self.random() * SLOTS)]
        if slot is None:
            return self.open()
        ours, truth = slot
        self.both(getattr(ours, method), getattr(truth, method), *arguments)
        if ours.tell() != truth.tell():
            raise Differs(f"{method}{arguments}: the store stands at {ours.tell()}, the model at {truth.tell()}")
        return None

    def size_of(self, most: int) -> int:
        return min(SIZES[int(self.random() * len(SIZES))], most) or int(self.random() * most)

    def name(self) -> str:
        return self.names[int(self.random() * len(self.names))]

    def write(self) -> None:
        size = self.size_of(self.size_max)
        at = int(self.random() * (len(self.noise) - size))
        self.on_slot("write", self.noise[at : at + size])

    def read(self) -> None:
        self.on_slot("read", self.size_of(self.extent))

    def seek(self) -> None:
        at = int(self.random() * self.extent)
        self.on_slot("seek", *((at, 0), (at, 0), (-(at // 8), 1), (-at, 2), (0, 2))[int(self.random() * 5)])

    def flush(self) -> None:
        self.on_slot("flush")

    def cut(self) -> None:
        self.on_slot("truncate", int(self.random() * self.extent))

    def close(self) -> None:
        self.close_slot(int(self.random() * SLOTS))

    def close_slot(self, number: int) -> None:
        slot, self.slots[number] = self.slots[number], None
        if slot is not None:
            slot[0].close()  # never lacks room
            slot[1].close()

    def open(self) -> None:
        number = int(self.random() * SLOTS)
        self.close_slot(number)
        name, mode = self.name(), MODES[int(self.random() * len(MODES))]
        opened: list[Any] = []

        def on(side: Any) -> Callable[..., Any]:
            return lambda *how: opened.append(side.open(*how))

        self.both(on(self.store), on(self.model), name, mode)
        if opened:
            self.slots[number] = (opened[0], opened[1])

    def remove(self) -> None:
        self.both(self.store.remove, self.model.remove, self.name())

    def rename(self) -> None:
        self.both(self.store.rename, self.model.rename, self.name(), self.name())

    def truncate(self) -> None:
        self.both(self.store.truncate, self.model.truncate, self.name(), int(self.random() * self.extent))

    def size(self) -> None:
        name = self.name()
        if self.store.exists(name) != self.model.exists(name):
            raise Differs(f"exists({name!r})")
        if self.model.exists(name) and self.store.stat(name).size_bytes != self.model.stat(name).size_bytes:
            raise Differs(f"stat({name!r})")

    def list_names(self) -> None:
        self.both(self.store.names, self.model.names, self.name()[:2])

    def mount(self) -> None:
        """Every file is closed before; afterwards all contents are as in the model."""
        for number in range(SLOTS):
            self.close_slot(number)
        self.cleanings += self.store.meters.cleanings
        self.mounts += 1
        store = self.store = Store.mount(self.flash)
        wanted = self.model.contents()
        if store.names() != sorted(wanted):
            raise Differs(f"after a mount: names {store.names()}, the model has {sorted(wanted)}")
        for name, contents in wanted.items():
            with store.open(name) as file:
                found = file.readall()
            if found != contents:
                raise Differs(f"after a mount: {name!r} is {found!r}, not {contents!r}")
        if self.mounts % CHECK_EVERY == 0 and (problems := store.check()):
            raise Differs(f"after a mount: check says {problems}")
        self.size_max, self.extent, self.names = self.draw_habits()


def parts(cases: int) -> Iterable[str]:
    settings = list(SETTINGS)
    for number, count in enumerate(shares(cases, PART_OPERATIONS)):
        yield f"{settings[number % len(settings)]}; seed {number}; {count} operations"


def run(part: str) -> Outcome:
    setting, seed, operations = part.split("; ")
    outcome = Outcome()
    walk = Walk(setting, int(seed.split()[1]))
    try:
        walk.go(int(operations.split()[0]))
    except Exception as error:
        outcome.violated(f"{setting}; {seed}; {walk.done} operations", error)
    outcome.tried = walk.done
    outcome.counts.update(mounts=walk.mounts, refused=walk.refused, cleanings=walk.cleanings, erases=walk.flash.erases)
    return outcome


ROWS = [Row(9, "random operations against the model, remount every 50", 10_000_000, parts, run)]
