"""A map of the erase counts in a few lines. It is made of digits, which need no colour."""

from __future__ import annotations

from collections.abc import Sequence

ROW_SIGNS = 64
ROWS_MAX = 8


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
