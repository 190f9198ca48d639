"""A flash map as a picture in SVG: the chip as one upright strip to scale, and beside it a line for each region.

Colours are never all there is: each kind of region has a hatching of its own and its name beside it. They were chosen
so that they differ in lightness as well, and a page that asks for dark colours gets dark ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import NamedTuple

from simfs.replay.scenario.quantities import format_size
from simfs.show import units
from simfs.show.map.pieces import FREE, Piece, address, pieces, proposal
from simfs.study.flash_map import FlashMap

WIDTH, STRIP_TOP, STRIP_LEFT, STRIP_WIDTH, STRIP_HEIGHT = 900, 74, 110, 110, 560
TEXT_LEFT, LINE_HEIGHT, LINE_SIGNS, NAME_SIGNS = 270, 48, 144, 24


class Look(NamedTuple):
    """How a kind of region is drawn: light and dark fill, and the lines of its hatching in a square of 8 by 8."""

    light: str
    dark: str
    hatching: str


LOOKS = {
    "program": Look("#1f4e79", "#7fb2e5", ""),
    "update": Look("#8fb8de", "#34597d", "M0 8L8 0"),
    "parameters": Look("#e39b2d", "#c98a2a", "M0 4H8"),
    "store": Look("#f5d76e", "#ead27a", "M4 0V8"),
    "spare": Look("#d3d6da", "#626b76", "M0 0L8 8"),
    FREE: Look("#ffffff", "#16191d", ""),
}


def as_svg(drawn: FlashMap) -> str:
    """The whole picture. Text from the file is escaped."""
    row = pieces(drawn)
    lines = _lines(row)
    height = round(max(STRIP_TOP + STRIP_HEIGHT, lines[-1] + 24)) + 56
    blocks = units.counted(drawn.chip_bytes // drawn.block_bytes, "erase block")
    below = f"{drawn.part}: {units.size(drawn.chip_bytes)}, {blocks} of {units.size(drawn.block_bytes)}"
    body = [
        f'<rect class="page" width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        _text(24, 34, units.plain(drawn.title, 80), size=18),
        _text(24, 56, units.plain(below, 100), soft=True),
        *(_drawn(piece, y, drawn.chip_bytes) for piece, y in zip(row, lines, strict=True)),
        f'<rect class="edge" x="{STRIP_LEFT}" y="{STRIP_TOP}" width="{STRIP_WIDTH}" height="{STRIP_HEIGHT}" '
        'fill="none" stroke="#222222"/>',
        *_edges(row, drawn.chip_bytes),
        _text(24, height - 20, " ".join(proposal(drawn)), soft=True),
    ]
    return "\n".join([_opening(height, drawn), *body, "</svg>"]) + "\n"


def _opening(height: int, drawn: FlashMap) -> str:
    patterns = "".join(
        f'<pattern id="{kind}" width="8" height="8" patternUnits="userSpaceOnUse"><rect class="{kind}" width="8" '
        f'height="8" fill="{look.light}"/><path class="line" d="{look.hatching}" stroke="#222222" fill="none"/>'
        "</pattern>"
        for kind, look in LOOKS.items()
    )
    dark = " ".join(f".{kind}{{fill:{look.dark}}}" for kind, look in LOOKS.items())
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" width="{WIDTH}" height="{height}" '
        f'viewBox="0 0 {WIDTH} {height}" font-family="sans-serif">\n'
        f"<title>{_shown(drawn.title, 80)}</title>\n"
        f"<style>@media (prefers-color-scheme: dark) {{ .page{{fill:#16191d}} .ink{{fill:#e8eaed}} "
        f".soft{{fill:#aab0b8}} .edge{{stroke:#e8eaed}} .line{{stroke:#16191d}} {dark} }}</style>\n"
        f"<defs>{patterns}</defs>"
    )


def _lines(row: Sequence[Piece]) -> list[float]:
    """The height of each piece's line of text: beside its middle where there is room, and below the one before."""
    chip_bytes = row[-1].end_bytes
    wanted = [_y((piece.start_bytes + piece.end_bytes) / 2, chip_bytes) for piece in row]
    found: list[float] = []
    for y in wanted:
        found.append(max(y, found[-1] + LINE_HEIGHT if found else STRIP_TOP + LINE_HEIGHT / 2))
    lowest = max(STRIP_TOP + STRIP_HEIGHT, STRIP_TOP + LINE_HEIGHT * len(row)) - LINE_HEIGHT / 2
    for at in range(len(found) - 1, -1, -1):  # back up where the last ones would leave the picture
        found[at] = min(found[at], lowest)
        lowest = found[at] - LINE_HEIGHT
    return found


def _y(at: float, chip_bytes: int) -> float:
    return STRIP_TOP + at * STRIP_HEIGHT / chip_bytes


def _drawn(piece: Piece, line_y: float, chip_bytes: int) -> str:
    top, bottom = _y(piece.start_bytes, chip_bytes), _y(piece.end_bytes, chip_bytes)
    right, middle = STRIP_LEFT + STRIP_WIDTH, (top + bottom) / 2
    span = f"{address(piece.start_bytes, chip_bytes)} to {address(piece.end_bytes, chip_bytes)}"
    size = format_size(piece.size_bytes)
    told = f"{units.plain(piece.name, NAME_SIGNS)}, {size}" if piece.holds != FREE else f"free, {size}"
    notes = [_text(TEXT_LEFT, line_y + 12 + 14 * at, note, soft=True) for at, note in enumerate(piece.notes)]
    holds = f", holds {piece.holds}" if piece.holds not in (FREE, piece.name) else ""
    return (
        f"<g><title>{_shown(f'{piece.name}: {span}', 120)}</title>"
        f'<rect x="{STRIP_LEFT}" y="{top:.2f}" width="{STRIP_WIDTH}" height="{bottom - top:.2f}" '
        f'fill="url(#{piece.holds})"/>'
        f'<path class="edge" d="M{right} {middle:.2f}L{TEXT_LEFT - 28} {line_y:.2f}H{TEXT_LEFT - 24}" fill="none" '
        'stroke="#222222" stroke-width="0.6"/>'
        f'<rect class="edge" x="{TEXT_LEFT - 22}" y="{line_y - 8:.2f}" width="16" height="16" '
        f'fill="url(#{piece.holds})" stroke="#222222" stroke-width="0.6"/>'
        f"{_text(TEXT_LEFT, line_y - 2, f'{told}{holds}: {span}')}"
        f"{''.join(notes)}"
        "</g>"
    )


def _edges(row: Sequence[Piece], chip_bytes: int) -> list[str]:
    """Addresses left of the strip, where there is room for them, and a thin line below each piece."""
    found, last = [], -100.0
    for at in (*(piece.start_bytes for piece in row), chip_bytes):
        y = _y(at, chip_bytes)
        found.append(
            f'<path class="edge" d="M{STRIP_LEFT} {y:.2f}h{STRIP_WIDTH}" stroke="#222222" stroke-width="0.6"/>'
        )
        if y - last >= 13:
            found.append(_text(STRIP_LEFT - 8, y + 4, address(at, chip_bytes), end=True))
            last = y
    return found


def _text(x: float, y: float, text: str, *, size: int = 12, soft: bool = False, end: bool = False) -> str:
    colour = 'class="soft" fill="#555555"' if soft else 'class="ink" fill="#222222"'
    anchor = ' text-anchor="end"' if end else ""
    return f'<text x="{x}" y="{y:.2f}" font-size="{size}" {colour}{anchor}>{_shown(text, LINE_SIGNS)}</text>'


def _shown(text: str, most: int) -> str:
    return escape(units.plain(text, most))
