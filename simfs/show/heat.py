"""The erase counts as a map: in a few lines of digits, and as a picture with one hue from light to dark and a digit in
each cell, so that nobody has to tell colours apart."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from simfs.show import units

ROW_SIGNS = 64
ROWS_MAX = 8
CELL, ACROSS, CELLS_MAX = 18, 32, 512
COLOURS = ("#ffffff", "#dbe7f2", "#a9c6df", "#6a9cc4", "#2f6a9e", "#0b3c66")
DARK_FROM = 4  # here a white digit is read more easily
INK = "#222"  # whatever colour a notebook's own text has
STEPS = len(COLOURS) - 1


def heat_map(erase_counts: Sequence[int]) -> list[str]:
    """The map: a legend, then at most eight lines of blocks by address, or one line if nothing was erased.

    A sign stands for one block, or for the hottest of a few neighbours where there are many blocks. Counts up to 9 are
    shown as they are, larger ones in ninths of the highest.
    """
    if not any(erase_counts):
        return ["Erases by address: none so far"]
    group = -(-len(erase_counts) // (ROW_SIGNS * ROWS_MAX))
    hottest = [max(erase_counts[at : at + group]) for at in range(0, len(erase_counts), group)]
    most = max(hottest)
    signs = "".join(_sign(count, most) for count in hottest)
    width = len(str(len(erase_counts) - 1))
    rows = [
        f"  {at * group:>{width}}  {signs[at : at + ROW_SIGNS]}" for at in range(0, len(signs), ROW_SIGNS)
    ]  # fmt: skip
    each = "one character per block" if group == 1 else f"one character per {group} blocks, the hottest"
    scale = "its erases" if most <= 9 else f"1 to 9 are ninths of {most:,}"
    return [f"Erases by address: {each}, {scale}, . is none", *rows]


def _sign(count: int, most: int) -> str:
    if count == 0:
        return "."
    return str(count if most <= 9 else -(-9 * count // most))


def wear_map(erase_counts: Sequence[int]) -> str:
    """A cell for each block, or for the most worn of a few neighbours, with a legend of the steps below."""
    group, most = -(-len(erase_counts) // CELLS_MAX), max(erase_counts)
    cells = [max(erase_counts[at : at + group]) for at in range(0, len(erase_counts), group)]
    drawn = "".join(_cell(number, count, most, group) for number, count in enumerate(cells))
    width, height = min(len(cells), ACROSS) * CELL, -(-len(cells) // ACROSS) * CELL
    each = "a cell for each block" if group == 1 else f"a cell for the most worn of {group} blocks"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" style="display:block;margin-top:6px" '
        f'width="{width}" height="{height}" viewBox="0 0 {width} {height}" '
        f'font-family="monospace" font-size="11" text-anchor="middle">'
        f"<title>Wear by address</title>{drawn}</svg>"
        f'<div style="font-size:90%">Wear by address, {each}: {_legend(most)}</div>'
    )


def step_of(count: int, most: int) -> int:
    """0 for no erase, 5 for the most."""
    return -(-count * STEPS // most) if most else 0


def _cell(number: int, count: int, most: int, group: int) -> str:
    step = step_of(count, most)
    x, y, side = number % ACROSS * CELL, number // ACROSS * CELL, CELL - 1
    told = f"block {number * group}: {units.counted(count, 'erase')}"
    return (
        f'<g><title>{escape(told)}</title><rect x="{x}" y="{y}" width="{side}" height="{side}" stroke="#ddd" '
        f'fill="{COLOURS[step]}"/><text x="{x + side / 2:g}" y="{y + 12}" fill="{ink_on(step)}">{step}</text></g>'
    )


def _legend(most: int) -> str:
    """Each step that can come up: its digit on its colour, and the erases that it stands for."""
    shown, last = [], -1
    for step, colour in enumerate(COLOURS if most else COLOURS[:1]):
        upto = step * most // STEPS
        if upto == last:
            continue
        erases = f"{upto:,}" if upto == last + 1 else f"{last + 1:,} to {upto:,}"
        shown.append(f"{chip(str(step), colour, ink_on(step))} {erases}")
        last = upto
    return ", ".join(shown) + " erases"


def ink_on(step: int) -> str:
    """The colour of a digit in a cell."""
    return "#fff" if step >= DARK_FROM else INK


def chip(text: str, colour: str, ink: str = INK) -> str:
    """A piece of a legend: text on its colour, with an edge, since the page may be of any colour."""
    style = f"background:{colour};color:{ink};border:1px solid #999;padding:0 4px"
    return f'<span style="{style}">{escape(text)}</span>'
