"""A store, a flash or a finished run in a few lines, for `print`."""

from __future__ import annotations

import textwrap

from simfs.files.store import Store
from simfs.flash import NorFlash
from simfs.replay.device.device import Run
from simfs.show import rows, units
from simfs.show.verdict import verdict_of
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from simfs.study.run.outlook import with_outlook

COLUMNS = 100


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
        f"{rows.stands_on(part, geometry.block_count, geometry.block_bytes, store.settings)}{only}\n"
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
    ran = f"{units.time(run.duration_ns)} of device time from {units.moment(run.start_ns)} on"
    told = f"{units.plain(run.title, COLUMNS)}: {ran}. {verdict_of(taken, judge(run, taken))}"
    return textwrap.fill(told, COLUMNS, break_on_hyphens=False)
