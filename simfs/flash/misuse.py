"""What a firmware must not ask of a flash: refused in strict mode, noted otherwise."""

from __future__ import annotations

from typing import NamedTuple

EVENTS_KEPT = 1000

MISUSE = {
    "set-bit": "only an erase can set a bit",
    "page-end": "data goes past the page end, programmed",
    "unit-again": "a program unit can be programmed once between erases, not again",
    "page-programs": "the page has had all the programs that it allows between erases",
}


class ProgramError(ValueError):
    """A program that strict mode refuses; nothing has changed, and nothing was counted."""


class Event(NamedTuple):
    """What a part did with a program that strict mode would have refused.

    kind: "set-bit" (old AND new kept; the first such byte), "page-end" (wrapped to the page start), "unit-again" (a
    program unit not blank was programmed, old AND new kept), "page-programs" (one program more than the page allows).
    """

    kind: str
    address: int
