"""A sweep as one table, at most 100 columns wide if its settings are short. Below it stand the combinations that could
not be run, and the expectations that are not met."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from tabulate import tabulate

from simfs.show import WHOSE, units
from simfs.show.text import judged
from simfs.study.run.expect import Verdict
from simfs.study.sweep import ORDERS, Summary, Sweep, Variant

COLUMNS = 100
VALUE_WIDTH = 24
NOTES_SHOWN = 12


class Column(NamedTuple):
    """One figure of all variants."""

    heading: tuple[str, str]
    figure: str
    shown: Callable[[Any], str]
    when: str = "always"
    """Or where it is "asked" about: the variants are sorted by it; or where a variant has "some"; or "unless full":
    where no column says when the store is full."""
    flash_only: bool = False


TABLE = (
    Column(("full", "after"), "full_ns", units.time, "some"),
    Column(("", "life"), "life_ns", units.years, flash_only=True),
    Column(("longest", "write"), "longest_write_ns", units.time),
    Column(("bound,", "worst part"), "longest_write_at_max_ns", units.time, "asked"),
    Column(("write", "ampl."), "write_amplification", units.ratio),
    Column(("", "erases"), "erases", units.number, "unless full", flash_only=True),
    Column(("sectors", "written"), "sectors_written", units.number, "some"),
    Column(("page", "programs"), "programs", units.number, "asked"),
    Column(("energy", "a day"), "energy_a_day_nj", units.energy),
    Column(("", "RAM"), "ram_bytes", units.size),
    Column(("free", "at least"), "free_bytes_min", units.size),
    Column(("slowest", "mount"), "mount_ns", units.time, "asked"),
    Column(("", "refused"), "refused_operations", units.number),
    Column(("records", "lost"), "lost_records", units.number, "some"),
)


def as_text(sweep: Sweep) -> str:
    """The whole report, without a line end."""
    notes = [note for variant in sweep.variants for note in notes_of(variant)]
    more = len(notes) - NOTES_SHOWN
    shown = [textwrap.fill(note, COLUMNS, subsequent_indent="  ") for note in notes[:NOTES_SHOWN]]
    shown += [f"{more:,} more with --json"] if more > 0 else []
    summaries = [variant.summary for variant in sweep.variants if variant.summary]
    if any(one.full_ns for one in summaries) and not all(one.full_ns for one in summaries):
        shown.insert(0, "Full after -: the files fit at this pace.")
    if any(one.life_ns is None for one in summaries) and not _is_on_card(sweep):
        shown.insert(0, "Life -: the run is too short to tell.")
    heading = "\n".join(textwrap.fill(line, COLUMNS, break_on_hyphens=False) for line in heading_lines(sweep))
    return "\n\n".join(part for part in (heading, _table(sweep), "\n".join(shown)) if part)


def heading_lines(sweep: Sweep) -> list[str]:
    """What was run, and in which order it stands."""
    order = f"; {ORDERS[sweep.sorted_by].first} first" if sweep.sorted_by else ""
    if sweep.sorted_by and any(variant.unmet for variant in sweep.variants):
        order += ", those with unmet expectations behind the others"
    runs = f"{units.counted(len(sweep.variants), 'run')} over {' and '.join(sweep.settings)}"
    return [
        units.plain(sweep.title, COLUMNS),
        f"scenario {units.plain(sweep.source)}: {runs}{order}.",
        f"{WHOSE} {'Times' if _is_on_card(sweep) else 'Life is that of the hottest block; times'} are typical ones.",
    ]


def _table(sweep: Sweep) -> str:
    columns = [column for column in TABLE if is_shown(column, sweep)]
    settings = [("", heading) for heading in settings_headings(sweep.settings)]
    headings = zip(("", ""), *settings, *(column.heading for column in columns), strict=True)
    lines = [[_mark(variant), *values_of(variant), *cells_of(variant.summary, columns)] for variant in sweep.variants]
    table = [*map(list, headings), *lines]
    table.insert(2, ["-" * max(map(len, column)) for column in zip(*table, strict=True)])
    right = ["right"] * (len(table[0]) - 1)
    return tabulate(table, tablefmt="plain", disable_numparse=True, colalign=("left", *right))


def _is_on_card(sweep: Sweep) -> bool:
    """Whether all of them ran on a card, which tells nothing of erases and of a life."""
    return all(one.summary is None or one.summary.sectors_written is not None for one in sweep.variants)


def is_shown(column: Column, sweep: Sweep) -> bool:
    """Whether a column has anything to say of this sweep."""
    if column.flash_only and _is_on_card(sweep):
        return False
    if column.when == "some" and any(getattr(variant.summary, column.figure, 0) for variant in sweep.variants):
        return True
    if column.when == "unless full" and not any(getattr(variant.summary, "full_ns", 0) for variant in sweep.variants):
        return True
    asked = sweep.sorted_by and ORDERS[sweep.sorted_by].figure == column.figure
    return column.when == "always" or bool(asked)


def settings_headings(settings: tuple[str, ...]) -> list[str]:
    """The ends of the settings' paths, as long as they differ from each other."""
    short = [setting.rpartition(".")[2] for setting in settings]
    return short if len(set(short)) == len(short) else list(settings)


def values_of(variant: Variant) -> list[str]:
    """The values of the settings of a variant."""
    return [units.plain(value, VALUE_WIDTH) for value in variant.settings.values()]


def cells_of(summary: Summary | None, columns: list[Column]) -> list[str]:
    """A variant's figures, one for each column."""
    if summary is None:
        return ["not run", *["-"] * (len(columns) - 1)]
    values = [getattr(summary, column.figure) for column in columns]
    return ["-" if value is None else column.shown(value) for column, value in zip(columns, values, strict=True)]


def _mark(variant: Variant) -> str:
    return "!" if variant.refused or variant.unmet else ""


def notes_of(variant: Variant) -> Iterator[str]:
    """Why a variant was not run, or what it does not meet."""
    which = ", ".join(f"{name}={value}" for name, value in variant.settings.items())
    if variant.refused:
        reasons = ". ".join(units.plain(reason, 400) for reason in variant.refused)
        yield f"! {units.plain(which, COLUMNS)}: not run. {reasons}"
    if variant.unmet:
        yield f"! {units.plain(which, COLUMNS)}: not met are {'; '.join(map(_unmet, variant.unmet))}"


def _unmet(verdict: Verdict) -> str:
    measured, wanted = judged(verdict)
    return f"{verdict.name}: {measured}{f', wanted {wanted}' if verdict.unit else ''}"
