"""A life in sessions, each from a power-on to the next cut: all that it takes to live it again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Any, Generic, TypeVar

C = TypeVar("C")

NEVER = 1 << 60
CHAIN_CUTS_MAX, CHAIN_GAP = 8, 6


class Violation(AssertionError):
    """The store broke a promise. `kind` says which, in a word or two:

    "lost"                 what is found is not what may be there
    "refused"              there is no mounting the store
    "shut"                 it is read-only, though no block has failed
    "two answers"          a read-only mount and a writable one find different things
    "read-only writes"     a read-only mount changes the flash
    "second mount"         it finds something else than the first
    "second mount writes"  it changes the flash
    "later mount"          something else is found once weak bits read otherwise
    "check"                `Store.check` finds something
    "operation"            an operation fails that must work
    "reads"                an open store shows something else than it was given
    "crash"                an error that no store may raise
    """

    def __init__(self, kind: str, text: str) -> None:
        super().__init__(f"{kind}: {text}")
        self.kind, self.text = kind, text


@dataclass
class Session(Generic[C]):
    """The power comes, the calls are made, and the power is cut in the flash change after `cut_after` of them, counted
    from the power-on; in the recovery if it makes so many. After the last call the device is switched off.

    The seed draws what the cut leaves, how weak bits read, and which mounts are tried. `changes` are those that the
    recovery made and then each call, as the session was lived last.
    """

    seed: int
    cut_after: int
    calls: list[C] = field(default_factory=list)
    changes: list[int] = field(default_factory=list)


def sessions(gap: int, sags: int, random: Random) -> Iterator[Session[Any]]:
    """Sessions without end, whose cuts come within `gap` changes. Of 100 of them so many (`sags`) begin a chain of a
    few more that follow closely, often inside the recovery: a battery that sags."""
    chain = 0
    while True:
        within = CHAIN_GAP if chain else gap
        if chain:
            chain -= 1
        elif random.random() * 100 < sags:
            chain = random.randrange(1, CHAIN_CUTS_MAX)
        yield Session(random.getrandbits(32), random.randrange(within))
