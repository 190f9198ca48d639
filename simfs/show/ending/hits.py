"""What cuts leave of files on a card, as a table and as lines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from tabulate import tabulate

from simfs.show import units
from simfs.show.ending.fault_words import FAULT_WORDS

FIGURES = ("states", "sound", "to mend", "loses", "at most", "mended", "at most")


class Hits(Protocol):
    """The states of one kind: how many are sound, have to be mended or lose something, and the most that they lose."""

    @property
    def states(self) -> int: ...
    @property
    def sound(self) -> int: ...
    @property
    def to_mend(self) -> int: ...
    @property
    def losing(self) -> int: ...
    @property
    def lost_bytes_max(self) -> int: ...
    @property
    def losing_when_mended(self) -> int: ...
    @property
    def lost_bytes_max_when_mended(self) -> int: ...


def figures_of(hits: Hits) -> list[str]:
    """The cells under `FIGURES`."""
    return [
        *map(_number, (hits.states, hits.sound, hits.to_mend, hits.losing)),
        _size(hits.lost_bytes_max),
        _number(hits.losing_when_mended),
        _size(hits.lost_bytes_max_when_mended),
    ]


def hits_table(kinds: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """The table; `kinds` are the headings of what stands before the figures."""
    align = [*["left"] * len(kinds), *["right"] * len(FIGURES)]
    return tabulate(rows, (*kinds, *FIGURES), tablefmt="simple", disable_numparse=True, colalign=align)


def fault_lines(faults: dict[str, int]) -> list[str]:
    """What a check finds, one kind a line."""
    return [f"{FAULT_WORDS[kind]}: {units.counted(count, 'state')}" for kind, count in faults.items()]


def marked(outcome: Sequence[tuple[bool, str]]) -> list[str]:
    """Lines of text: those that should not be have a mark."""
    return [line if is_well else f"! {line}" for is_well, line in outcome]


def _number(count: int) -> str:
    return f"{count:,}" if count else "-"


def _size(count: int) -> str:
    return units.size(count) if count else "-"
