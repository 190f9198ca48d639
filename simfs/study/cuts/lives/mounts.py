"""Mounts a store at each power-on, and judges what is found by what may be there."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Generic, TypeVar

from simfs.files import Store
from simfs.flash import NorFlash
from simfs.store.format.errors import CorruptStore
from simfs.study.cuts.lives.session import Violation
from simfs.study.cuts.lives.supply import Supply

State = TypeVar("State")

LOOK_FIRST, MOUNT_TWICE, READ_OTHERWISE, CHECK = 0.5, 0.5, 0.2, 0.125  # chances, at each power-on
SHOWN = 4  # of the states that may be there


class Mounts(Generic[State]):
    """A store that is mounted again and again. `states` are those that may be found at the next power-on. A subclass
    says what a state is, and what it excuses."""

    def __init__(self, flash: NorFlash, supply: Supply, states: Sequence[State]) -> None:
        self.flash, self.supply = flash, supply
        self.states = list(states)
        self.store: Store | None = None

    def shown(self, store: Store) -> State:
        """What the store holds."""
        raise NotImplementedError

    def told(self, state: State | None, other: State | None) -> str:
        """A state in a few words, beside another."""
        raise NotImplementedError

    def replaced(self, error: CorruptStore) -> Store:
        """A mount to write says that there is no sound store. A store in its place excuses it."""
        raise Violation("refused", str(error.strerror)) from error

    @property
    def may_be_none(self) -> bool:
        """Whether there may be no sound store now."""
        return False

    def is_shut(self, store: Store) -> None:
        """A mount to write gave a store that is read-only."""
        raise Violation("shut", f"read-only though no block failed; it holds {self.told(self.shown(store), None)}")

    def power_on(self, seed: int) -> Store:
        """Recover the store, and try some of what must hold: a read-only mount before finds the same and writes
        nothing; so does a second mount; weak bits may read otherwise and change nothing. Violation."""
        draws = Random(seed)
        before = self._look_first() if draws.random() < LOOK_FIRST else None
        store = self.mount()
        found = self.shown(store)
        if before is not None and found != before:
            answers = f"read-only {self.told(before, found)}, to write {self.told(found, before)}"
            raise Violation("two answers", answers)
        self._must_be_allowed(found)
        self.states = [found]
        if draws.random() < MOUNT_TWICE:
            store = self._mount_twice(found)
        if draws.random() < READ_OTHERWISE:
            self.supply.read_otherwise()
            self.flash.power_on()
            store = self.mount()
            self._must_show(store, found, "later mount")
        if draws.random() < CHECK and (problems := store.check()):
            raise Violation("check", "; ".join(problems))
        return store

    def mount(self) -> Store:
        try:
            self.store = store = Store.mount(self.flash)
        except CorruptStore as error:
            self.store = store = self.replaced(error)
        if store.read_only:
            self.is_shut(store)
        return store

    def drop(self) -> None:
        """The power is gone: what waits in files is lost."""
        if self.store is not None:
            self.store.drop()

    def _look_first(self) -> State | None:
        """What a read-only mount finds; None: no store, which is excused."""
        before = self.supply.changes
        try:
            found = self.shown(Store.mount(self.flash, read_only=True))
        except CorruptStore as error:
            if not self.may_be_none:
                raise Violation("refused", f"read-only: {error.strerror}") from error
            return None
        self._must_write_nothing(before, "read-only writes")
        self._must_be_allowed(found)
        return found

    def _mount_twice(self, found: State) -> Store:
        before = self.supply.changes
        store = self.mount()
        self._must_write_nothing(before, "second mount writes")
        self._must_show(store, found, "second mount")
        return store

    def _must_be_allowed(self, found: State) -> None:
        if found not in self.states:
            wanted = " or ".join(self.told(state, found) for state in self.states[:SHOWN])
            raise Violation("lost", f"found {self.told(found, self.states[0])}, allowed is {wanted}")

    def _must_show(self, store: Store, found: State, kind: str) -> None:
        later = self.shown(store)
        if later != found:
            raise Violation(kind, f"first {self.told(found, later)}, then {self.told(later, found)}")

    def _must_write_nothing(self, before: int, kind: str) -> None:
        if self.supply.changes > before and not self.supply.failing:
            raise Violation(kind, f"{self.supply.changes - before} changes")
