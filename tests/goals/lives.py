"""Reference scenarios on a chip that fails: what each operation of the flash is, and what may be on it afterwards."""

from __future__ import annotations

import errno
from dataclasses import dataclass
from functools import cache
from typing import Any

from simfs import NorFlash, PowerCut, Store
from simfs.flash.datasheet import Datasheet
from simfs.flash.fault_data import Error
from simfs.flash.faults import FaultHooks
from simfs.flash.trace import Change
from simfs.store.format.layout import buffer_bytes
from tests.goals.scenarios import NEED_A_HAND, SCENARIOS, Call, Scenario, do
from tests.goals.truth import Contents, Possible, Truth

KINDS = ("program", "erase", "read")
LEAVES = {
    "program": ("nothing", "bits half", "all", "bits few", "bytes 1"),
    "erase": ("nothing", "zeros half", "rising most", "weak", "raised few"),
    "read": ("nothing",),
}
LOOK_EVERY = 8  # calls
TRUTHS_MAX = 30


class Broken(AssertionError):
    """The store broke its promise."""


class Counter(FaultHooks):
    """Notes the block of every operation by kind, and every change; `plan` carries out its faults meanwhile."""

    def __init__(self, plan: FaultHooks | None = None) -> None:
        self.blocks: dict[str, list[int]] = {kind: [] for kind in KINDS}
        self.changes: list[Change] = []
        self._plan = plan or FaultHooks()

    def attach(self, geometry: Any, datasheet: Any) -> None:
        self.block_bytes = geometry.block_bytes
        self._plan.attach(geometry, datasheet)

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        self.blocks["read"].append(address // self.block_bytes)
        self._plan.before_read(cells, address, length)

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self.blocks["program"].append(address // self.block_bytes)
        self.changes.append(Change(address, data))
        self._plan.before_program(cells, address, data)

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self.blocks["erase"].append(address // self.block_bytes)
        self.changes.append(Change(address, None))
        self._plan.before_erase(cells, address, length)

    def errors(self, kind: str, number: int, how_often: str) -> tuple[Error, ...]:
        """The errors that begin with operation `number` of a kind."""
        leaves = LEAVES[kind][number % len(LEAVES[kind])]
        if how_often != "block":
            return (Error(kind, number, for_ever=how_often == "ever", leaves=leaves),)
        block = self.blocks[kind][number]
        return (Error(kind, self.blocks[kind][:number].count(block), block, for_ever=True, leaves=leaves),)


@dataclass
class Start:
    """A formatted flash, and what a scenario does on it when nothing fails."""

    scenario: Scenario
    image: bytes
    datasheet: Datasheet
    operations: Counter

    def flash(self, image: bytes | None = None, plan: Any = None) -> NorFlash:
        return NorFlash.from_image(image or self.image, datasheet=self.datasheet, faults=plan)


@cache
def start(name: str) -> Start:
    scenario = SCENARIOS[name]
    store = scenario.store()
    counter = Counter()
    found = Start(scenario, store.flash.image(), store.flash.datasheet, counter)
    live(found, found.flash(plan=counter))
    return found


def read_all(store: Store) -> Contents:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall()
    return found


def live(at: Start, flash: NorFlash) -> Possible:
    """Mount, and do what the scenario does; what may be on the flash then."""
    config = at.scenario.store().config
    possible = Possible(Truth(buffer_bytes(config, flash.geometry.page_bytes), config.fold_case))
    try:
        store = Store.mount(flash)
    except OSError:
        return possible
    hands: dict[str, Any] = {}
    try:
        return make_calls(at.scenario.calls(), store, hands, possible)
    finally:
        store.drop()  # the run ends here: what waits is lost


def make_calls(calls: list[Call], store: Store, hands: dict[str, Any], possible: Possible) -> Possible:
    for number, call in enumerate(calls):
        if call[0] in NEED_A_HAND and call[1] not in hands:
            continue
        refused = False
        try:
            do(store, hands, call)
        except PowerCut:
            possible.refused(call, set(hands))
            return possible
        except OSError:
            refused = True
            possible.refused(call, set(hands))
        else:
            possible.done(call)
        if refused or number % LOOK_EVERY == 0:
            look(store, possible, call)
        if len(possible.truths) > TRUTHS_MAX:
            break  # most calls are refused, and nothing can be read that would tell what they did
    return possible


def look(store: Store, possible: Possible, call: Any) -> None:
    try:
        shown = read_all(store)
    except OSError as error:
        if error.errno == errno.EMFILE:
            raise
        return
    if not possible.look(shown):
        raise Broken(f"after {str(call)[:60]} the store shows {sizes(shown)}")


def sizes(contents: Contents) -> str:
    return "{" + ", ".join(f"{name}: {len(data)}" for name, data in sorted(contents.items())) + "}"
