"""A change of a scenario that a practitioner would try."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from simfs.replay.scenario.overrides import with_setting
from simfs.replay.scenario.toml_lines import Path as KeyPath

Change = tuple[KeyPath, Any]
"""A setting of a scenario's TOML and its new value; None takes the key out."""


@dataclass(frozen=True, slots=True)
class Idea:
    """What is changed and why it may help. `price` says what has to be accepted, "" if nothing has; `is_about_cuts`
    where the change decides what a power cut leaves."""

    name: str
    changes: tuple[Change, ...]
    price: str = ""
    is_about_cuts: bool = False

    def goes_with(self, other: Idea) -> bool:
        """Whether both can be done: neither changes what the other changes."""
        return not any(
            path[: len(one)] == one or one[: len(path)] == path for one, _ in self.changes for path, _ in other.changes
        )


def together(ideas: Iterable[Idea]) -> Idea:
    """Several ideas as one."""
    parts = list(ideas)
    return Idea(
        " + ".join(part.name for part in parts),
        tuple(change for part in parts for change in part.changes),
        "; ".join(part.price for part in parts if part.price),
        any(part.is_about_cuts for part in parts),
    )


def with_changes(table: dict[str, Any], changes: Iterable[Change]) -> dict[str, Any]:
    """A copy of a scenario's table with these changes."""
    for path, value in changes:
        table = with_setting(table, path, value)
    return table
