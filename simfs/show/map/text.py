"""A flash map in text: a line for each region with its addresses, and its place in the chip to scale."""

from __future__ import annotations

import textwrap

from tabulate import tabulate

from simfs.replay.scenario.quantities import format_size
from simfs.show import units
from simfs.show.map.pieces import FREE, Piece, address, pieces, proposal
from simfs.study.flash_map import FlashMap

COLUMNS = 100
SCALE_SIGNS = 32
NAME_WIDTH = 16
EMPTY = {"spare": "-", FREE: "."}


def as_text(drawn: FlashMap) -> str:
    """The whole map, without a line end."""
    row = pieces(drawn)
    parts = ["\n".join(_heading(drawn)), _table(drawn, row), "\n".join(_notes(row)), _left(drawn)]
    return "\n\n".join(part for part in parts if part)


def _heading(drawn: FlashMap) -> list[str]:
    blocks = units.counted(drawn.chip_bytes // drawn.block_bytes, "erase block")
    each = units.size(drawn.chip_bytes // SCALE_SIGNS)
    chip = f"flash {drawn.part}: {units.size(drawn.chip_bytes)}, {blocks} of {units.size(drawn.block_bytes)}"
    return [
        units.plain(drawn.title, COLUMNS),
        chip,
        f"One character of the scale is {each}; | is less.",
    ]


def _table(drawn: FlashMap, row: list[Piece]) -> str:
    lines = [
        (
            units.plain(piece.name, NAME_WIDTH),
            piece.holds,
            address(piece.start_bytes, drawn.chip_bytes),
            address(piece.end_bytes, drawn.chip_bytes),
            format_size(piece.size_bytes),
            scale(piece, drawn.chip_bytes),
        )
        for piece in row
    ]
    headers = ("region", "holds", "from", "up to", "size", "to scale")
    align = ("left", "left", "right", "right", "right", "left")
    return tabulate(
        lines, headers, tablefmt="simple", disable_numparse=True, preserve_whitespace=True, colalign=align
    )  # fmt: skip


def scale(piece: Piece, chip_bytes: int) -> str:
    """Where a piece lies: a sign for each part of the chip that it fills by more than half, or a bar where none is."""
    first = round(piece.start_bytes * SCALE_SIGNS / chip_bytes)
    last = round(piece.end_bytes * SCALE_SIGNS / chip_bytes)
    if first == last:
        return " " * min(first, SCALE_SIGNS - 1) + "|"
    return " " * first + EMPTY.get(piece.holds, "#") * (last - first)


def _notes(row: list[Piece]) -> list[str]:
    told = [f"{units.plain(piece.name, NAME_WIDTH)}: {'; '.join(piece.notes)}" for piece in row if piece.notes]
    return [textwrap.fill(line, COLUMNS, subsequent_indent="  ", break_on_hyphens=False) for line in told]


def _left(drawn: FlashMap) -> str:
    free = f"{format_size(drawn.free_bytes)} of the chip are free." if drawn.free else "Nothing of the chip is free."
    sentence, keys = proposal(drawn)
    told = textwrap.fill(f"{free} {sentence}", COLUMNS, break_on_hyphens=False)
    return f"{told}\n  {keys}" if keys else told
