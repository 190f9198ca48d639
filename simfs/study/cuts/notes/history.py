"""A run as a campaign needs it: what reached the flash, and the file calls with what each made durable."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.files import Store
from simfs.files.heard import FileCall
from simfs.flash import Geometry
from simfs.flash.datasheet import Datasheet
from simfs.flash.trace import Change
from simfs.store.format.config import StoreConfig

Contents = dict[str, bytes]
"""Every file by its name."""


def read_all(store: Store) -> Contents:
    """Every file. Costs reading every live byte."""
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall()
    return found


@dataclass(frozen=True, slots=True)
class Event:
    """One persistence event, by what it changes in the durable contents. `call` is the number of the call that made it.

    "put": `data` stands from `at` on, with zeros before it if the file was shorter; "size": the file exists and has
    `at` bytes; "remove"; "rename" to `to`: the file that had that name, spelled `replaces`, is gone.
    """

    call: int
    kind: str
    name: str
    at: int = 0
    data: bytes = b""
    to: str = ""
    replaces: str = ""

    def apply(self, contents: Contents) -> None:
        """Do to `contents` what the event does. Costs a copy of the file."""
        if self.kind == "put":
            old = contents[self.name]
            contents[self.name] = old[: self.at].ljust(self.at, b"\0") + self.data + old[self.at + len(self.data) :]
        elif self.kind == "size":
            contents[self.name] = contents.get(self.name, b"")[: self.at].ljust(self.at, b"\0")
        elif self.kind == "remove":
            del contents[self.name]
        else:
            contents.pop(self.replaces, None)
            contents[self.to] = contents.pop(self.name)


@dataclass(frozen=True, slots=True)
class Operation:
    """One program (`data`) or erase (`data` is None) as it reached the flash, and the number of the call that asked
    for it."""

    address: int
    data: bytes | None
    call: int

    @property
    def change(self) -> Change:
        """The operation as a change of the flash."""
        return Change(self.address, self.data)


@dataclass(frozen=True, slots=True)
class History:
    """A run that was recorded once. Everything in it is in the order in which it happened.

    `contents` is what was durable when the run began, after event 0; the contents after k events are those of the
    first k events applied to it. `image` is the flash then; `erase_counts` is what the store knew of its blocks' wear.
    """

    title: str
    datasheet: Datasheet
    block_count: int
    config: StoreConfig
    image: bytes
    erase_counts: tuple[int, ...]
    contents: tuple[tuple[str, bytes], ...]
    calls: tuple[FileCall, ...]
    events: tuple[Event, ...]
    event_ends: tuple[int, ...]  # how many events there were by the end of each call
    operations: tuple[Operation, ...]

    @property
    def geometry(self) -> Geometry:
        return self.datasheet.geometry(self.block_count)

    def contents_after(self, event: int) -> Contents:
        """The durable contents after so many events.
        Costs applying all of them: to go through many, apply one after the other."""
        found = dict(self.contents)
        for one in self.events[:event]:
            one.apply(found)
        return found

    def events_in(self, call: int) -> tuple[int, int]:
        """(F, i): the events before a call, and those up to its end. A cut in the call leaves the contents after k
        events, F <= k <= i."""
        ends = self.event_ends
        return (ends[call - 1] if call else 0), ends[call]

    def allowed(self, operation: int) -> tuple[int, int]:
        """(F, i) for a cut in a flash operation; past the last one, for a cut after the run."""
        if operation >= len(self.operations):
            return len(self.events), len(self.events)
        return self.events_in(self.operations[operation].call)
