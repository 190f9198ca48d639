"""A store that lives through one power cut after the other, judged by the durability rule at each power-on."""

from __future__ import annotations

import errno
from collections import Counter
from random import Random
from typing import Any, Protocol

from simfs import CorruptStore, PowerCut, Store, StoreConfig
from simfs.flash.interrupted import Profile
from simfs.store.format.layout import buffer_bytes
from simfs.study.cuts.lives.mounts import Mounts
from simfs.study.cuts.lives.room import room_left, room_needed
from simfs.study.cuts.lives.session import Session, Violation
from simfs.study.cuts.lives.supply import Supply
from tests.goals.lives import read_all, sizes
from tests.goals.long_lives.calls import given, sensible
from tests.goals.long_lives.settings import Setting
from tests.goals.scenarios import Call, do
from tests.goals.truth import Contents, Possible, TrueFile, Truth

LOOK_EVERY = 16  # calls
TRUTHS_MAX = 30
FORMAT_LONGER = 40

State = tuple[StoreConfig, Contents]


class WornOut(Exception):
    """Blocks have failed, and the store is read-only for it. The life is over."""


class Source(Protocol):
    """Gives the calls of a session."""

    def next_call(self, truth: Truth) -> Call | None:
        """None: the device is switched off."""

    def refused(self) -> None:
        """The call given last was refused for want of room, or because blocks failed."""


class Planned:
    """The calls that a session has."""

    def __init__(self, session: Session[Call]) -> None:
        self._calls = iter(list(session.calls))

    def next_call(self, truth: Truth) -> Call | None:
        return next(self._calls, None)

    def refused(self) -> None: ...


class Life(Mounts[State]):
    """One store. `counts` tells what happened so far."""

    def __init__(self, setting: Setting, seed: int) -> None:
        failing = _failing(setting, Random(f"failing {seed}"))
        supply = Supply(Profile(setting.values["profile"]), failing, weak=bool(setting.values["weak"]))
        super().__init__(setting.flash(supply), supply, [])
        self.counts: Counter[str] = Counter()
        self._setting = setting
        self._formatting: StoreConfig | None = setting.config  # its format may have been cut
        self._fails = bool(setting.values["failing"])
        self._store: Store | None = None
        self._hands: dict[str, Any] = {}  # open files
        self._known: dict[StoreConfig, StoreConfig] = {}
        self._cuts_formats = bool(setting.values["reformats"])

    def live(self, session: Session[Call], work: Source | None = None) -> None:
        """A session: its calls, or those that `work` gives, which are noted in it. Violation, WornOut."""
        if self._formatting is not None and not self._cuts_formats:
            self._format(self._formatting).drop()
        longer = FORMAT_LONGER if self._formatting is not None and session.seed % 2 else 1  # or it is never done
        self.supply.begin(session.seed, session.cut_after * longer)
        self.flash.power_on()
        began, session.changes = self.supply.changes, []
        where = "in a recovery"
        try:
            store = self.power_on(session.seed)
            self._formatting = None
            session.changes.append(self.supply.changes - began)
            where = "at work"
            if store.read_only:
                raise WornOut
            self._work(store, session, work or Planned(session))
        except PowerCut:
            self.counts["in a format" if self._formatting is not None else where] += 1
            self.counts["cuts"] += 1
        finally:
            self.drop()

    def drop(self) -> None:
        """Off: what waits in files is lost. Before their handles go, which would write it."""
        super().drop()
        self._hands.clear()

    # The power is back

    def shown(self, store: Store) -> State:
        try:
            return self._stored(store.config), read_all(store)
        except CorruptStore as error:
            raise Violation("refused", str(error)) from error

    def told(self, state: State | None, other: State | None) -> str:
        if state is None:
            return "nothing"
        return sizes(state[1]) + ("" if other is None else _first_difference(state, other))

    @property
    def may_be_none(self) -> bool:
        return self._formatting is not None

    def replaced(self, error: CorruptStore) -> Store:
        return super().replaced(error) if self._formatting is None else self._format(self._formatting)

    def is_shut(self, store: Store) -> None:
        if not self._fails:
            super().is_shut(store)

    def mount(self) -> Store:
        try:
            return super().mount()
        except CorruptStore:
            raise
        except OSError as error:
            raise self._failure("mount", error) from error

    def _stored(self, config: StoreConfig) -> StoreConfig:
        if config not in self._known:
            try:
                self._known[config] = self._setting.stored(config)
            except CorruptStore as error:
                raise Violation("refused", f"just formatted, with no cut at all: {error}") from error
        return self._known[config]

    def _format(self, config: StoreConfig) -> Store:
        self._formatting = config
        empty: State = (self._stored(config), {})
        self.states = [*self.states, empty]
        try:
            store = self.store = Store.format(self.flash, config)
        except OSError as error:
            raise self._failure("format", error) from error
        self.states, self._formatting = [empty], None
        self.counts["formats"] += 1
        return store

    # At work

    def _work(self, store: Store, session: Session[Call], work: Source) -> None:
        session.calls = []
        hands = self._hands
        possible = self._possible(store)
        number = 0
        while True:
            call = work.next_call(possible.truths[0])
            if call is None:
                break
            if not sensible(call, possible.truths[0], hands):
                continue
            session.calls.append(call)
            number += 1
            before = self.supply.changes
            try:
                if call[0] == "format":
                    store, possible = self._format_anew(call[1], possible)
                else:
                    if not self._call(store, hands, call, possible):
                        work.refused()
            finally:
                session.changes.append(self.supply.changes - before)
            if number % LOOK_EVERY == 0:
                self._look(store, possible, call)
            if len(possible.truths) > TRUTHS_MAX:
                break  # most calls were refused: only the next mount tells which of it is durable
        self.states = [(self.states[0][0], contents) for contents in possible.durable()]
        self.counts["switched off"] += 1

    def _possible(self, store: Store) -> Possible:
        config, contents = self.states[0]
        truth = Truth(buffer_bytes(config, self.flash.geometry.page_bytes), config.fold_case)
        for name, data in contents.items():
            truth.files[truth._key(name)] = TrueFile(data)
            truth.spelled[truth._key(name)] = name
        return Possible(truth)

    def _format_anew(self, config: StoreConfig, possible: Possible) -> tuple[Store, Possible]:
        self.states = [(self.states[0][0], contents) for contents in possible.durable()]
        self.drop()
        store = self._format(config)
        return store, self._possible(store)

    def _call(self, store: Store, hands: dict[str, Any], call: Call, possible: Possible) -> bool:
        """Whether the store took it."""
        self.counts["calls"] += 1
        try:
            do(store, hands, given(call, store.config))
        except PowerCut:
            self.states = [(self.states[0][0], contents) for contents in left_after(call, possible)]
            raise
        except OSError as error:
            self._refused(store, hands, call, possible, error)
            return False
        if call[0] == "open":
            hands[call[1]] = hands.pop(given(call, store.config)[1])
        possible.done(call)
        return True

    def _refused(self, store: Store, hands: dict[str, Any], call: Call, possible: Possible, error: OSError) -> None:
        self.counts["refused"] += 1
        if not self._fails:
            excused = call[0] in ("open", "write", "rename", "truncate") and error.errno == errno.ENOSPC
            data_bytes = len(call[3]) if call[0] == "write" else 0
            if not excused or room_left(store) > room_needed(store, data_bytes, len(hands)):
                what = f"{call[0]} {call[1]}, {error} with {room_left(store)} bytes of room"
                raise Violation("operation", what) from error
            if not hands and not any(truth.files for truth in possible.truths):
                raise Violation("operation", f"a store without any file refuses a new one: {error}") from error
        possible.refused(call, set(hands))
        self._look(store, possible, call)
        if not self._fails:
            possible.in_flight.clear()

    def _look(self, store: Store, possible: Possible, call: Call) -> None:
        shown = self.shown(store)[1]
        wanted = [truth.seen() for truth in possible.truths]
        if not possible.look(shown):
            config = self.states[0][0]
            difference = _first_difference((config, shown), (config, wanted[0])) if wanted else ""
            raise Violation("reads", f"after {str(call)[:60]} it shows {sizes(shown)}{difference}")

    def _failure(self, what: str, error: OSError) -> Exception:
        return WornOut() if self._fails else Violation("operation", f"{what}: {error}")


def _failing(setting: Setting, random: Random) -> dict[tuple[str, int], int]:
    blocks = random.sample(range(setting.values["block_count"]), setting.values["failing"])
    return {(random.choice(("program", "erase")), block): random.randrange(3000) for block in blocks}


def left_after(call: Call, possible: Possible) -> list[Contents]:
    """What a cut in the call may leave. The truths are done with afterwards."""
    left = possible.in_flight
    for truth in possible.truths:
        left.append(truth.durable())
        try:
            for _ in truth.steps(call):
                left.append(truth.durable())
        except KeyError:
            continue
    return left


def _first_difference(found: State, other: State) -> str:
    if other[1].keys() != found[1].keys():
        return ""
    for name, data in other[1].items():
        if data != found[1][name]:
            both = zip(data, found[1][name], strict=False)
            at = next((at for at, (a, b) in enumerate(both) if a != b), min(len(data), len(found[1][name])))
            return f" ({name} differs from byte {at} on)"
    return "" if other[0] == found[0] else " (the settings differ)"
