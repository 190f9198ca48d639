"""The wear map of a sheet: a cell for each erase block, with what there is to know of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simfs.show import units
from simfs.show.sheet.palette import INKS, STEPS
from simfs.store.usage import BlockView

CELLS_MAX = 512


@dataclass(frozen=True, slots=True)
class Cell:
    """A block, or a few neighbours by the most worn of them. `step` is from 0, no erase, to 5, the most."""

    step: int
    told: str

    @property
    def style(self) -> str:
        return f"background:{STEPS[self.step]};color:{INKS[self.step]}"


@dataclass(frozen=True, slots=True)
class WearMap:
    """The cells by address, how many blocks each stands for, and the legend: (step, erases)."""

    cells: list[Cell]
    each: int
    legend: list[tuple[Cell, str]]
    rows: list[tuple[str, ...]]


HEADERS = ("blocks", "state", "erases since new", "erases in the run", "live")


def wear_map(blocks: Sequence[BlockView], erases_in_run: Sequence[int]) -> WearMap:
    """Of a store's blocks with their erases in the run."""
    each, most = -(-len(blocks) // CELLS_MAX), max(block.erase_count for block in blocks)
    groups = [blocks[at : at + each] for at in range(0, len(blocks), each)]
    rows = [_row(group, erases_in_run) for group in groups]
    cells = [
        Cell(step_of(max(block.erase_count for block in group), most), _told(row))
        for group, row in zip(groups, rows, strict=True)
    ]
    return WearMap(cells, each, _legend(most), rows)


def step_of(count: int, most: int) -> int:
    """0 for no erase, 5 for the most."""
    return -(-count * (len(STEPS) - 1) // most) if most else 0


def _row(group: Sequence[BlockView], erases_in_run: Sequence[int]) -> tuple[str, ...]:
    first, last = group[0].number, group[-1].number
    counts = [block.erase_count for block in group]
    in_run = [erases_in_run[block.number] for block in group]
    return (
        f"{first:,}" if first == last else f"{first:,} to {last:,}",
        ", ".join(dict.fromkeys(block.state for block in group)),
        _span(counts),
        _span(in_run),
        units.size(sum(block.live_bytes for block in group)),
    )


def _span(counts: Sequence[int]) -> str:
    low, high = min(counts), max(counts)
    return f"{low:,}" if low == high else f"{low:,} to {high:,}"


def _told(row: tuple[str, ...]) -> str:
    number, state, erases, in_run, live = row
    return f"block {number}: {state}, erased {erases} times since new, {in_run} in the run, {live} live"


def _legend(most: int) -> list[tuple[Cell, str]]:
    found, last = [], -1
    for step in range(len(STEPS)) if most else (0,):
        upto = step * most // (len(STEPS) - 1)
        if upto != last:
            erases = f"{upto:,}" if upto == last + 1 else f"{last + 1:,} to {upto:,}"
            found.append((Cell(step, erases), erases))
        last = upto
    return found
