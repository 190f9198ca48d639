"""Who wore the flash, as a table of at most 100 columns."""

from __future__ import annotations

from tabulate import tabulate

from simfs.show import units
from simfs.study.wearers.report import Wearer, Wearers

ROWS_SHOWN = 12
TASK_WIDTH, FILE_WIDTH = 18, 30
NOTE = (
    "An erase is shared over what was programmed into its block since the erase before. Bytes that are\n"
    "moved count for the task that wrote them. Files whose names differ in digits alone stand together."
)
HEADERS = ("who wore it", "file", "kind", "programmed", "", "erases", "")


def wearers_table(wearers: Wearers) -> str:
    """The most worn by first, and a last line with all of them."""
    alike = wearers.with_like_names().wearers
    table = [_row(one, wearers) for one in alike[:ROWS_SHOWN]]
    if rest := alike[ROWS_SHOWN:]:
        programmed = sum(one.programmed_bytes for one in rest)
        millionths = sum(one.erases_millionths for one in rest)
        table.append(_row(Wearer(f"{len(rest):,} more", "with --json", "", programmed, millionths), wearers))
    table.append(("all", "", "", units.size(wearers.programmed_bytes), "", f"{wearers.erases:,}", ""))
    text = tabulate(
        table, HEADERS, tablefmt="simple", disable_numparse=True, colalign=("left", "left", "left", *["right"] * 4)
    )
    return f"{text}\n{NOTE}"


def name_shown(one: Wearer, most: int = FILE_WIDTH) -> str:
    """The name of a file, or of many alike, on one line."""
    files = f" ({one.files:,} files)" if one.files > 1 else ""
    return units.plain(one.file, most - len(files)) + files


def _row(one: Wearer, of: Wearers) -> tuple[str, ...]:
    return (
        units.plain(one.task, TASK_WIDTH),
        name_shown(one),
        one.kind,
        units.size(one.programmed_bytes),
        share(one.programmed_bytes, of.programmed_bytes),
        f"{one.erases:,.1f}",
        share(one.erases, of.erases),
    )


def share(part: float, whole: float) -> str:
    """A part of the whole in percent; a dash where there is no whole."""
    return units.percent(100 * part / whole) if whole else "-"
