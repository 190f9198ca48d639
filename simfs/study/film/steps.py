"""Each operation of a device with all that it did to the flash, and what the pages hold after it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simfs.files.contract import AnyStore
from simfs.files.store import log_of, the_log
from simfs.replay.device.observer import Observer
from simfs.store.pages import PageState, page_states
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause


@dataclass(frozen=True, slots=True)
class Action:
    """One program, one erase (`length` 0) or, with a state `after`, a change of a block's state. `cause` is why."""

    address: int
    length: int
    cause: Cause | None = None
    before: State | None = None
    after: State | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One operation. `refused` is the errno if the store refused it, else 0; `cut` whether the power went in it."""

    task: str
    operation: str
    name: str
    at_ns: int
    host_bytes: int
    refused: int
    cut: bool
    actions: tuple[Action, ...]


@dataclass(frozen=True, slots=True)
class View:
    """The store as it stands: the pages of each block, each block's state and erases."""

    block_bytes: int
    page_bytes: int
    pages: tuple[tuple[PageState, ...], ...]
    states: tuple[State, ...]
    erase_counts: tuple[int, ...]


class StepRecorder(Observer):
    """Calls `taken` after each operation. An operation within another one belongs to it."""

    def __init__(self, taken: Callable[[Step, AnyStore], None]) -> None:
        self._taken = taken
        self._actions: list[Action] = []
        self._begun: list[tuple[str, str, str, int, int]] = []

    def run_begins(self, store: AnyStore) -> AnyStore:
        """Follow this store. NoLog if it is not on flash."""
        the_log(store)
        self._store = super().run_begins(store)
        self._block_bytes = the_log(store).flash.geometry.block_bytes
        return self._store

    def booted(self, store: AnyStore) -> None:
        self._store = store

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        if not self._begun:
            self._actions.clear()
        self._begun.append((task, operation, name, at_ns, self._store.meters.host_bytes))

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        self._end(refused, cut=False)

    def power_cut(self) -> None:
        """The power went in the operation that has begun."""
        while self._begun:
            self._end(0, cut=True)

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        self._actions.append(Action(address, len(data), cause))

    def erased(self, block: int, cause: Cause) -> None:
        self._actions.append(Action(block * self._block_bytes, 0, cause))

    def block_changed(self, block: int, before: State, after: State) -> None:
        self._actions.append(Action(block * self._block_bytes, 0, before=before, after=after))

    def _end(self, refused: int, cut: bool) -> None:
        task, operation, name, began_ns, host_bytes = self._begun.pop()
        if not self._begun:
            written = max(self._store.meters.host_bytes - host_bytes, 0)
            step = Step(task, operation, name, began_ns, written, refused, cut, tuple(self._actions))
            self._actions.clear()
            self._taken(step, self._store)


def view_of(store: AnyStore) -> View:
    """A store on flash as it stands. Costs no flash operation; about 10 us a frame."""
    log = log_of(store)
    if log is None:
        raise ValueError("the store is not on flash")
    volume, geometry = log.volume, log.flash.geometry
    blocks = range(geometry.block_count)
    return View(
        geometry.block_bytes,
        geometry.page_bytes,
        tuple(tuple(page_states(volume, block)) for block in blocks),
        tuple(volume.state.blocks.state),
        tuple(log.flash.erase_counts),
    )
