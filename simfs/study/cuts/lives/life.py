"""One store that makes the calls of a run while the power goes again and again."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from dataclasses import replace

from simfs.files.heard import FileCall
from simfs.files.modes import parse_mode
from simfs.files.store import Store
from simfs.flash import NorFlash, PowerCut
from simfs.flash.interrupted import Profile
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import buffer_bytes
from simfs.study.cuts.judging import judge
from simfs.study.cuts.lives.mounts import Mounts
from simfs.study.cuts.lives.room import room_left, room_needed
from simfs.study.cuts.lives.session import Session, Violation
from simfs.study.cuts.lives.story import Planned, Story
from simfs.study.cuts.lives.supply import Supply
from simfs.study.cuts.notes.durability import Persistence
from simfs.study.cuts.notes.hands import Hands
from simfs.study.cuts.notes.history import Contents, Event, History, read_all

MAY_LACK_ROOM = ("open", "write", "rename", "truncate")


class Life(Mounts[Contents]):
    """The store of a run, as it was when the run began. `cuts` counts those that the power was cut so far,
    `in_recovery` those of them while it was mounted."""

    def __init__(self, history: History, profile: Profile = Profile.PROGRAM) -> None:
        supply = Supply(profile)
        flash = NorFlash.from_image(history.image, datasheet=history.datasheet, faults=supply)
        super().__init__(flash, supply, [dict(history.contents)])
        self.cuts = self.in_recovery = 0
        self._config = history.config
        self._hands = Hands()

    def live(self, session: Session[FileCall], story: Story | None = None) -> None:
        """A session: its calls, or those that the story gives, which are noted in it. Violation."""
        self.supply.begin(session.seed, session.cut_after)
        self.flash.power_on()
        before, session.changes = self.supply.changes, []
        try:
            store = self.power_on(session.seed)
            session.changes.append(self.supply.changes - before)
            self._work(store, session, story or Planned(session.calls))
        except PowerCut:
            self.cuts += 1
            self.in_recovery += not session.changes
        except Violation:
            raise
        except Exception as error:
            raise Violation("crash", f"{type(error).__name__}: {error}") from error
        finally:
            self.drop()

    def drop(self) -> None:
        super().drop()
        self._hands.files.clear()  # after the store let go of them: closing a file writes what waits in it

    def shown(self, store: Store) -> Contents:
        try:
            return read_all(store)
        except CorruptStore as error:
            raise Violation("refused", f"while its files are read: {error.strerror}") from error

    def told(self, state: Contents | None, other: Contents | None) -> str:
        return judge.shown(state or {}, other or {})

    def _work(self, store: Store, session: Session[FileCall], story: Story | Planned) -> None:
        session.calls = []
        [contents] = self.states
        rule = Persistence(self._config, buffer_bytes(self._config, self.flash.geometry.page_bytes), contents)
        while (call := story.next_call(store, self._hands.files, self.supply.changes)) is not None:
            if not self._sensible(store, call):
                continue
            session.calls.append(call)
            before = self.supply.changes
            try:
                call = self._made(store, call)
            except PowerCut:
                self.states = list(_each(contents, rule.events_of(0, call)))
                raise
            finally:
                session.changes.append(self.supply.changes - before)
            if call.error:
                story.refused()
            *_, contents = _each(contents, rule.events_of(0, call))
        self.states = [contents]

    def _made(self, store: Store, call: FileCall) -> FileCall:
        """Make the call. Returns it with its error, if there was no room for it."""
        try:
            self._hands.make(store, call)
        except OSError as error:
            excused = call.kind in MAY_LACK_ROOM and error.errno == errno.ENOSPC
            room = room_left(store)
            if not excused or room > room_needed(store, len(call.data), len(self._hands.files)):
                raise Violation("operation", f"{call.kind}: {error}, with {room} bytes of room") from error
            return replace(call, error="ENOSPC")
        return call

    def _sensible(self, store: Store, call: FileCall) -> bool:
        """Whether the call can succeed as things are."""
        if call.kind == "open":
            mode = parse_mode(call.mode)
            there = store.exists(call.name)
            possible = not mode.exclusive if there else not mode.must_exist
            return possible and call.handle not in self._hands.files and store.files_open < self._config.open_files_max
        if call.handle:
            return call.handle in self._hands.files
        return call.kind == "idle" or store.exists(call.name)


def _each(contents: Contents, events: list[Event]) -> Iterator[Contents]:
    """The contents before the events, and after each of them."""
    yield contents
    for event in events:
        contents = dict(contents)
        event.apply(contents)
        yield contents
