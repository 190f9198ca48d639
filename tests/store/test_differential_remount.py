"""Random operations on a store and on the model, with mounts and power cuts in between, on stores so small that the
cleaner always works. After each operation outcomes and positions agree and `check()` is empty; contents agree often.

A cut here falls between two operations, or after some bytes of a program or an erase. What it leaves must be
what the durability rule allows; mounting again writes nothing and shows the same, as did a read-only mount before it.
"""

from __future__ import annotations

import errno
from collections import Counter
from dataclasses import dataclass, field
from random import Random
from typing import Any

import pytest

from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.files.model import Model
from tests.support.sides import SLOTS, Driver, Operation, Ours, difference, random_operations

MAY_LACK_ROOM = {"open", "write", "cut", "truncate", "rename"}


@dataclass
class Breaker:
    """A fault plan: after so many programs and erases the next one is cut. A cut program leaves its first bytes."""

    random: Random
    left: int | None = None
    gone: bool = False  # the next read finds no power

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        if self.gone:
            raise PowerCut

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        if self._breaks():
            for at, byte in enumerate(data[: self.random.randrange(len(data) + 1)], address):
                cells[at] &= byte
            raise PowerCut

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        if self._breaks():
            done = self.random.randrange(length + 1)
            cells[address : address + done] = b"\xff" * done
            raise PowerCut

    def _breaks(self) -> bool:
        if self.left is None:
            return False
        self.left -= 1
        return self.left < 0


@dataclass
class Campaign:
    """A store and the model under the same operations."""

    flash: NorFlash
    breaker: Breaker
    config: StoreConfig
    check_every: int = 1
    seen: Counter[str] = field(default_factory=Counter)
    steps: int = 0

    def __post_init__(self) -> None:
        self.store = Store.format(self.flash, self.config)
        self.model = Model(self.config)
        self.drive()

    def drive(self) -> None:
        self.ours, self.truth = Driver(Ours(self.store, "store")), Driver(Ours(self.model, "model"))

    def run(self, operations: list[Operation]) -> None:
        for operation in operations:
            what = operation[0]
            if what == "open" and self.truth.slots[operation[1]]:
                self.step(("close", operation[1]))
            if what in ("mount", "mount_twice", "power_cut", "cut_within", "idle"):
                getattr(self, what)(*operation[1:])
            else:
                self.step(operation)

    def step(self, operation: Operation) -> None:
        self.steps += 1
        cleanings = self.store.meters.cleanings
        try:
            fault = self.compare(operation)
        except PowerCut:
            self.come_back(operation)
            return
        self.seen["cleanings"] += self.store.meters.cleanings - cleanings
        assert fault is None, fault
        if self.steps % self.check_every == 0:
            assert self.store.check() == []

    def compare(self, operation: Operation) -> str | None:
        """What differs, or None. Lack of room is the store's alone: nothing may have changed, the model sits out."""
        outcome = self.ours.perform(operation)
        self.seen[str(outcome[1]) if outcome[0] == "error" else "fine"] += 1
        if outcome == ("error", errno.ENOSPC):
            self.seen["refused " + operation[0]] += 1
            if operation[0] not in MAY_LACK_ROOM:
                return f"{operation} lacks room"
            if self.ours.positions() != self.truth.positions():
                return f"{operation} lacks room and moved {self.truth.positions()} to {self.ours.positions()}"
            return difference(self.ours, self.truth)
        wanted = self.truth.perform(operation)
        if outcome != wanted:
            return f"{operation}: the store gave {outcome}, the model {wanted}"
        if self.ours.positions() != self.truth.positions():
            return f"{operation}: the store stands at {self.ours.positions()}, the model at {self.truth.positions()}"
        return None

    def same_contents(self) -> None:
        assert difference(self.ours, self.truth) is None

    def mount(self) -> None:
        """Every file is closed before."""
        self.breaker.left = None
        self.ours.close_all()
        self.truth.close_all()
        self.same_contents()
        self.store = Store.mount(self.flash)
        self.drive()
        self.same_contents()
        assert self.store.check() == []

    def mount_twice(self) -> None:
        self.mount()
        self.mount_again(self.model.contents())
        self.drive()

    def cut_within(self, programs: int) -> None:
        """The power will go after so many programs and erases."""
        self.breaker.left = programs

    def power_cut(self) -> None:
        """The power goes between two operations."""
        self.come_back(("flush", 0))

    def idle(self, budget_ns: int) -> None:
        try:
            self.store.idle(budget_ns)
        except PowerCut:
            self.come_back(("flush", 0))
        assert self.store.check() == []
        self.same_contents()

    def come_back(self, in_flight: Operation) -> None:
        """Mounts after a cut; what is found is as after the operation in flight, or as before, or between."""
        self.seen["cuts"] += 1
        self.breaker.left, self.breaker.gone = None, True
        with pytest.raises(PowerCut):
            self.flash.read(0, 1)
        self.ours.close_all()  # silently
        self.breaker.gone = False
        self.flash.power_on()
        image = self.flash.image()
        left = Driver(Ours(Store.mount(self.flash, read_only=True), "store")).contents()
        assert self.flash.image() == image, "a read-only mount wrote"
        self.store = Store.mount(self.flash)
        assert self.store.check() == []
        assert Driver(Ours(self.store, "store")).contents() == left, "mounting to write shows other contents"
        self.mount_again(left)
        size = len(in_flight[2]) if in_flight[0] == "write" else 0
        before = self.model.faults_after_cut(left)
        if before:
            self.truth.perform(in_flight)
            after = self.model.faults_after_cut(left, size)
            assert after == [], f"cut in {in_flight}: as before it: {before}; as after it: {after}"
        self.model.restart(left)
        self.drive()
        self.same_contents()

    def mount_again(self, left: dict[str, bytes]) -> None:
        image = self.flash.image()
        self.store = Store.mount(self.flash)
        assert self.flash.image() == image, "a second mount wrote"
        assert Driver(Ours(self.store, "store")).contents() == left


SMALL = {"block_count": 12, "block_bytes": 1024, "page_bytes": 128}
PAGES = {"block_count": 12, "block_bytes": 2048, "page_bytes": 128}
LARGE = {"block_count": 6, "block_bytes": 4096, "page_bytes": 256}
SETTINGS: dict[str, tuple[dict[str, int], dict[str, Any]]] = {
    "plain": (SMALL, {}),
    "large blocks": (LARGE, {}),
    "two heads": (SMALL, {"log_heads": 2}),
    "two heads, large blocks": (LARGE, {"log_heads": 2}),
    "pages": (PAGES, {"packing": "page", "buffer_bytes": None}),
    "pages, two heads": (PAGES, {"packing": "page", "buffer_bytes": None, "log_heads": 2}),
    "small buffer": (SMALL, {"buffer_bytes": 16}),
    "small buffer, two heads": (SMALL, {"buffer_bytes": 20, "log_heads": 2}),
    "large buffer": (LARGE, {"buffer_bytes": 1000}),
    "folded": (SMALL, {"fold_case": True}),
    "cut names": (SMALL, {"name_bytes": 4, "overlong": "cut"}),
    "oldest-first": (SMALL, {"cleaner": "oldest-first"}),
    "cost-benefit": (SMALL, {"cleaner": "cost-benefit", "log_heads": 2}),
    "random": (SMALL, {"cleaner": "random", "seed": 3}),
    "best-of-d": (SMALL, {"cleaner": "best-of-d", "choices": 3}),
    "no levelling": (SMALL, {"level_threshold": 0}),
    "eager levelling": (SMALL, {"level_threshold": 1}),
    "idle cleaning": (SMALL, {"idle_cleaning": True}),
    "units of 8": ({**SMALL, "program_unit_bytes": 8}, {}),
    "units of 16, two heads": ({**LARGE, "program_unit_bytes": 16}, {"log_heads": 2}),
    "eight programs a page": ({**SMALL, "page_programs_max": 8}, {}),
    "eight programs a page, pages": ({**LARGE, "page_programs_max": 8, "program_unit_bytes": 4}, {"packing": "page"}),
    "more reserve": (SMALL, {"reserve_blocks": 4}),
}
NAMES = ["a", "B", "/log/1", "/log/2", "abc/d", "abc/e", "A", "/Log/2", *(f"/event/2031-04-05/{n}" for n in range(5))]


def churn(random: Random, count: int, size_max: int) -> list[Operation]:
    """Files that grow, are updated in place and replaced until the store is full, and stays so."""
    operations: list[Operation] = []
    while len(operations) < count:
        slot, name = random.randrange(SLOTS), random.choice(NAMES)
        operations.append(("open", slot, name, random.choice(("a", "a", "r+", "w", "a+"))))
        for _ in range(random.randrange(4)):
            if random.random() < 0.3:
                operations.append(("seek", slot, -random.randrange(size_max), 2))
            data = random.randbytes(random.randrange(1, size_max))
            operations.append(("write", random.choice((slot, slot, random.randrange(SLOTS))), data, "bytes"))
        if random.random() < 0.7:
            operations.append(("close", slot))
        if random.random() < 0.15:
            other = random.choice(NAMES)
            operations.append(random.choice((("remove", name), ("rename", name, other), ("truncate", name, 50))))
    return operations


def script(setting: str, seed: int, rounds: int, cuts: bool) -> list[Operation]:
    """Rounds of operations with a mount or a cut after each; the sizes differ from round to round."""
    random = Random(f"{setting} {seed} {cuts}")
    operations: list[Operation] = []
    for _ in range(rounds):
        if cuts and random.random() < 0.7:
            operations.append(("cut_within", random.choice((random.randrange(1, 10), random.randrange(1, 80)))))
        if random.random() < 0.4:
            names = NAMES[: random.randrange(1, len(NAMES) + 1)]
            operations += random_operations(random, 50, names, extent=random.choice((30, 300, 1000, 3000, 8000)))
        else:
            operations += churn(random, 50, random.choice((10, 60, 300, 900)))
        if setting == "idle cleaning":
            operations.append(("idle", random.randrange(10**9)))
        operations.append((random.choice(("power_cut", "power_cut", "mount") if cuts else ("mount", "mount_twice")),))
    return operations


def campaign_of(setting: str, check_every: int) -> Campaign:
    breaker = Breaker(Random(0))
    return Campaign(NorFlash(**SETTINGS[setting][0], faults=breaker), breaker, config_of(setting), check_every)


def config_of(setting: str) -> StoreConfig:
    """In small blocks the write buffer is small as well, since a statement has to have room."""
    sizes, config = SETTINGS[setting]
    return StoreConfig(**({"buffer_bytes": 64 if sizes["block_bytes"] == 1024 else None} | config))


@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("cuts", [False, True], ids=["mounts", "cuts"])
def test_store_and_model_agree(setting: str, cuts: bool) -> None:
    campaign = campaign_of(setting, check_every=10)
    rounds = 10 if SETTINGS[setting][0]["block_bytes"] == 1024 else 20  # until blocks have to be erased
    campaign.run(script(setting, 1, rounds, cuts))
    seen = campaign.seen
    assert seen["fine"] > 300
    assert campaign.flash.erases > 0
    assert seen["cuts"] > 0 or not cuts


@pytest.mark.slow
@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("seed", range(100, 110))
@pytest.mark.parametrize("cuts", [False, True], ids=["mounts", "cuts"])
def test_store_and_model_agree_at_length(setting: str, seed: int, cuts: bool) -> None:
    campaign_of(setting, check_every=1).run(script(setting, seed, 60, cuts))
