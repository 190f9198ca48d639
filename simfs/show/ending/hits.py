"""What cuts leave of files on a card, told the same way for a card alone and for one beside flash."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import NamedTuple, Protocol

from tabulate import tabulate

from simfs.show import units
from simfs.show.ending.fault_words import FAULT_WORDS

COLUMNS = 100
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


class Told(NamedTuple):
    """A campaign in words. `outcome`: each line with whether it is as it should be. `rows` have what was hit, under the
    headings `kinds`, before the `FIGURES`. `found` and `found_nothing` say whose check it is that finds `faults`."""

    heading: list[str]
    where: str
    outcome: list[tuple[bool, str]]
    kinds: tuple[str, ...]
    rows: list[list[str]]
    legend: str
    found: str
    found_nothing: str
    faults: dict[str, int]
    worst: list[str]


def fault_rows(faults: dict[str, int]) -> list[list[str]]:
    """What a check finds, and in how many states."""
    return [[FAULT_WORDS[kind], units.counted(count, "state")] for kind, count in faults.items()]


def as_text(told: Told) -> str:
    """The whole report, on one screen, without a line end."""
    align = [*["left"] * len(told.kinds), *["right"] * len(FIGURES)]
    headers = (*told.kinds, *FIGURES)
    found = [f"{told.found}:", *(f"  {what}: {states}" for what, states in fault_rows(told.faults))]
    parts = [
        _lines(told.heading),
        _lines([told.where, *(line if is_well else f"! {line}" for is_well, line in told.outcome)]),
        tabulate(told.rows, headers, tablefmt="simple", disable_numparse=True, colalign=align),
        _lines([told.legend]),
        "\n".join(found) if told.faults else told.found_nothing,
        _lines(told.worst),
    ]
    return "\n\n".join(part for part in parts if part)


def _lines(lines: Iterable[str]) -> str:
    return "\n".join(textwrap.fill(line, COLUMNS, break_on_hyphens=False) for line in lines)


def _number(count: int) -> str:
    return f"{count:,}" if count else "-"


def _size(count: int) -> str:
    return units.size(count) if count else "-"
