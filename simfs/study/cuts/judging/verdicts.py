"""The findings of a campaign, as data."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.study.cuts.notes.cut_point import CutPoint

PROMISES = (
    "read-only", "contents", "mount", "check", "erase-counts", "second-mount", "weak", "operate", "remount",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Violation:
    """The store broke a promise after a cut.

    `promise`: "read-only" a read-only mount wrote; "contents" what is found is no state from F to i; "mount" it does
    not mount, or a mount to write finds something else than a read-only one; "check" an invariant is broken;
    "erase-counts" one is too low; "second-mount" a second mount wrote, or finds something else; "weak" something else
    is found once weak bits read differently; "operate" an operation fails that must work; "remount" what was done
    after the recovery is not there. `what` is one line.
    """

    cut: CutPoint
    promise: str
    what: str


@dataclass(frozen=True, slots=True)
class Found:
    """In `states` of the states that cuts in flash operation `operation` left, the store came back as it was after
    `event` events."""

    operation: int
    event: int
    states: int


@dataclass(frozen=True, slots=True)
class CampaignResult:
    """`states` were judged; `found` is in the order of operations and events, `counts` says how many states there were
    of each kind of cut, "program: bytes" or "erase: rising" for example."""

    states: int
    violations: tuple[Violation, ...]
    found: tuple[Found, ...]
    counts: dict[str, int]
