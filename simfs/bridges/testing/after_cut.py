"""What a test is given after a power cut, whatever the store is on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simfs.files import Store
from simfs.files.card_store import CardStore
from simfs.files.heard import FileCall
from simfs.study.cuts.notes.history import Contents


@dataclass(frozen=True, slots=True)
class AfterCut:
    """The store that a device finds after a power cut: `store` is mounted, and works. `cut` names the cut, `during` the
    call in which it came. `acknowledged` holds what the store had promised before that call; `possible` all states that
    may be found, which are that one and those that the call goes through. On a card, whose cut may leave a sector that
    can't be read, these are the states where it can."""

    store: Store | CardStore
    cut: str
    during: str
    acknowledged: Contents
    possible: tuple[Contents, ...]


def shown(calls: Sequence[FileCall], number: int) -> str:
    """A call in a few words."""
    call = calls[number]
    opened = next((one for one in calls if one.kind == "open" and one.handle == call.handle), call)
    mode = f' "{opened.mode}"' if call.kind == "open" else ""
    to = f" to {call.to}" if call.to else ""
    return f"file call {number}: {call.kind} {call.name or opened.name}{mode}{to}"
