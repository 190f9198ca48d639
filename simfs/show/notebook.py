"""A store or a finished run in a notebook: a table and maps of the erase blocks, as HTML that loads nothing from
elsewhere. Names and titles come from outside, so they are escaped.
`print` shows a store, a flash or a run in a few lines."""

from __future__ import annotations

import textwrap
from collections import Counter
from html import escape

from simfs.files.contract import AnyStore
from simfs.files.store import Store, log_of
from simfs.flash import NorFlash
from simfs.replay.device.device import Run
from simfs.show import WHOSE, units
from simfs.show.heat import INK, chip, wear_map
from simfs.show.rows.sections import all_sections
from simfs.show.text import judged
from simfs.show.verdict import verdict_of
from simfs.store.usage import BlockView
from simfs.study.run.expect import Verdict, judge
from simfs.study.run.measure import figures
from simfs.study.run.outlook import with_outlook

FILES_SHOWN = 12
TITLE_SIGNS = COLUMNS = 100
CELL = 18  # a cell's width and height
ACROSS = 32
CELLS_MAX = 512
LOOKS = {  # by state: the sign in the cell, its colour; the later ones show where a cell stands for several blocks
    "unused": (".", "#f6f3ec"),
    "ready": ("r", "#d3e6d2"),
    "freed": ("f", "#e3dccb"),
    "closed": ("c", "#bcd0e8"),
    "open": ("o", "#f4cf6b"),
    "damaged": ("d", "#e98b6d"),
    "bad": ("x", "#b8a9a9"),
}
LIVE_COLOUR, LIVE_SHARE = "#5b7fae", 0.45  # how much of it there is over a cell's own colour
UNMET = "! NOT MET"
UNMET_COLOUR, REMARK_COLOUR = "#f5c9a8", "#fbeccb"  # told apart by their lightness too
_LEGEND = (
    f'<div style="font-size:90%;margin-top:4px">{chip("! a remark", REMARK_COLOUR)} '
    f"{chip(f'{UNMET}: an expectation', UNMET_COLOUR)}</div>"
)
_TABLE = "border-collapse:collapse;font-size:90%"
_CELL = "text-align:left;padding:1px 12px 1px 0;vertical-align:top"


def as_html(shown: object) -> str | None:
    """The HTML that a notebook shows of a store or a run, None for anything else. A store is shown from RAM; the
    figures of a run read its flash."""
    if isinstance(shown, Run):
        return f"<div>{_run_table(shown)}{_block_map_of(shown.store)}</div>"
    if isinstance(shown, Store):
        return f"<div>{_store_table(shown)}{_block_map_of(shown)}</div>"
    return None


def as_text(shown: object) -> str | None:
    """None for anything else. A store and a flash are told from RAM; a run may be played again and on for a while."""
    if isinstance(shown, Store):
        return _store(shown)
    if isinstance(shown, NorFlash):
        return _flash(shown)
    return _run(shown) if isinstance(shown, Run) else None


def _store(store: Store) -> str:
    geometry, use, wear = store.flash.geometry, store.usage(), store.erase_counts
    part = store.flash.datasheet.name
    in_use = f"{units.size(use.live_bytes)} of the {units.size(use.capacity_bytes)} for files and names in use"
    only = ", read-only" if store.read_only else ""
    return (
        f"{units.stands_on(part, geometry.block_count, geometry.block_bytes, store.settings)}{only}\n"
        f"{units.counted(len(store.names()), 'file')}, {in_use}; {_erases(min(wear), max(wear))}"
    )


def _flash(flash: NorFlash) -> str:
    geometry, counts, sheet = flash.geometry, flash.counts, flash.datasheet
    blocks = f"{units.counted(geometry.block_count, 'block')} of {units.size(geometry.block_bytes)}"
    did = f"{units.counted(counts.programs, 'program')}, {units.counted(counts.erases, 'erase')}"
    busy = units.time(counts.busy_ns(sheet))
    least, most = min(flash.erase_counts), max(flash.erase_counts)
    return (
        f"flash {sheet.name}: {blocks}, {units.size(geometry.size_bytes)}\n"
        f"{units.counted(counts.reads, 'read')}, {did}, busy for {busy}; {_erases(least, most)}, rated for "
        f"{units.counted(sheet.rated_cycles, 'erase')}"
    )


def _erases(least: int, most: int) -> str:
    return f"each block was erased {least:,} to {most:,} times" if most else "no block was erased"


def _run(run: Run) -> str:
    taken = with_outlook(run, figures(run))
    ran = f"{units.time(run.duration_ns)} of device time{units.from_moment(run.start_ns)}"
    told = f"{units.plain(run.title, COLUMNS)}: {ran}. {verdict_of(taken, judge(run, taken))}"
    return textwrap.fill(told, COLUMNS, break_on_hyphens=False)


def _block_map_of(store: AnyStore) -> str:
    log = log_of(store)
    if log is None:
        return ""
    blocks = log.blocks()
    return block_map(blocks, log.flash.geometry.block_bytes) + wear_map([block.erase_count for block in blocks])


def _store_table(store: Store) -> str:
    geometry, use = store.flash.geometry, store.usage()
    blocks = f"{units.counted(geometry.block_count, 'block')} of {units.size(geometry.block_bytes)}"
    names = store.names()
    lines = [
        ("flash", f"{store.flash.datasheet.name}: {blocks}, {units.size(geometry.size_bytes)}"),
        ("store", ", ".join(store.settings.words)),
        ("in use", f"{units.size(use.live_bytes)} of the {units.size(use.capacity_bytes)} for files and names"),
        ("erases of a block", f"{min(store.erase_counts):,} to {max(store.erase_counts):,}"),
        ("files", f"{len(names):,}"),
    ]
    lines += [(f"  {units.plain(name)}", units.size(store.stat(name).size_bytes)) for name in names[:FILES_SHOWN]]
    if len(names) > FILES_SHOWN:
        lines.append(("", f"{len(names) - FILES_SHOWN:,} more"))
    return _table("store", lines)


def _run_table(run: Run) -> str:
    taken = with_outlook(run, figures(run))
    verdicts = judge(run, taken)
    ran = f"{units.time(taken.subject.duration_ns)} of device time, {run.kind} {units.plain(run.source)}"
    lines = [("verdict", verdict_of(taken, verdicts)), ("ran", ran)]
    for _, section in all_sections(taken):
        for figure, value, note in section:
            told = f"{value}: {note}" if figure.startswith("!") and value else value or note
            lines.append((figure, told))
    lines += [(f"expected {verdict.name}", _judged(verdict)) for verdict in verdicts]
    return _table(units.plain(run.title, TITLE_SIGNS), lines) + f"{_LEGEND}<p>{escape(WHOSE)}</p>"


def _judged(verdict: Verdict) -> str:
    measured, wanted = judged(verdict)
    return f"{'met' if verdict.met else UNMET}: {measured}; wanted {wanted}"


def _table(caption: str, lines: list[tuple[str, str]]) -> str:
    shown = "".join(
        f'<tr{_row_style(figure, value)}><th style="{_CELL};white-space:nowrap;font-weight:normal">{_text(figure)}</th>'
        f'<td style="{_CELL}">{_text(value)}</td></tr>'
        for figure, value in lines
    )
    return f'<table style="{_TABLE}"><caption style="text-align:left"><b>{_text(caption)}</b></caption>{shown}</table>'


def _row_style(figure: str, value: str) -> str:
    """A colour for what needs attention, which its text says too."""
    if value.startswith(UNMET):
        return f' style="background:{UNMET_COLOUR};color:{INK}"'
    return f' style="background:{REMARK_COLOUR};color:{INK}"' if figure.lstrip().startswith("!") else ""


def _text(text: str) -> str:
    """Escaped text, with the blanks at its beginning kept."""
    bare = text.lstrip(" ")
    return "&#160;" * (len(text) - len(bare)) + escape(bare)


def block_map(blocks: list[BlockView], block_bytes: int) -> str:
    """A cell for each erase block, or for a few neighbours: a letter and a colour for its state, and a bar for how much
    of it is live."""
    group = -(-len(blocks) // CELLS_MAX)
    cells = [
        _cell(number, blocks[at : at + group], block_bytes) for number, at in enumerate(range(0, len(blocks), group))
    ]
    down = -(-len(cells) // ACROSS)
    counts = Counter(block.state for block in blocks)
    legend = ", ".join(
        f"{chip(sign, colour)} {state} {counts[state]:,}" for state, (sign, colour) in LOOKS.items() if counts[state]
    )
    each = "a cell for each block" if group == 1 else f"a cell for {group} blocks"
    width, height = min(len(cells), ACROSS) * CELL, down * CELL
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" style="display:block;margin-top:6px" '
        f'width="{width}" height="{height}" viewBox="0 0 {width} {height}" '
        f'font-family="monospace" font-size="11" text-anchor="middle">'
        f"<title>Erase blocks by address</title>{''.join(cells)}</svg>"
        f'<div style="font-size:90%">Erase blocks by address, {each}: {legend}; '
        "the darker lower part is the live share</div>"
    )


def _cell(number: int, blocks: list[BlockView], block_bytes: int) -> str:
    order = list(LOOKS)
    block = max(blocks, key=lambda block: order.index(block.state))
    sign, colour = LOOKS[block.state]
    x, y, side = number % ACROSS * CELL, number // ACROSS * CELL, CELL - 1
    live = min(sum(block.live_bytes for block in blocks) / (len(blocks) * block_bytes), 1)
    bar = round(live * side)
    told = "; ".join(
        f"block {block.number}: {block.state}, {units.counted(block.erase_count, 'erase')}, "
        f"{units.size(block.live_bytes)} live"
        for block in blocks[:4]
    )
    return (
        f'<g><title>{escape(told)}</title><rect x="{x}" y="{y}" width="{side}" height="{side}" fill="{colour}"/>'
        f'<rect x="{x}" y="{y + side - bar}" width="{side}" height="{bar}" fill="{LIVE_COLOUR}" '
        f'fill-opacity="{LIVE_SHARE}"/>'
        f'<text x="{x + side / 2:g}" y="{y + 12}" fill="{INK}">{sign}</text></g>'
    )
