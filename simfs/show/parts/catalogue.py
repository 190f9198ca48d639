"""The catalogue of parts as a table."""

from __future__ import annotations

from collections.abc import Iterable

from tabulate import tabulate

from simfs.flash.datasheet import Datasheet
from simfs.show import units

HEADERS = ("part", "size", "block", "page program", "block erase", "cycles", "kept")


def as_table(parts: Iterable[Datasheet]) -> str:
    """Sizes, times (typical, maximum), rated cycles and retention of each part."""
    rows = [
        (
            part.name,
            _size(part),
            units.size(part.block_bytes),
            f"{units.time(part.program_typ_ns)}, {units.time(part.program_max_ns)}",
            f"{units.time(part.erase_typ_ns)}, {units.time(part.erase_max_ns)}",
            f"{part.rated_cycles:,}",
            f"{part.retention_years} years" if part.retention_years else "not said",
        )
        for part in parts
    ]
    table = tabulate(rows, HEADERS, tablefmt="simple", disable_numparse=True, colalign=("left", *["right"] * 6))
    hint = "`simfs parts show PART` gives all figures, each with its source."
    return "\n".join([table, "", f"Times are typical, then maximum. {hint}"])


def _size(part: Datasheet) -> str:
    """From the smallest to the largest, of a part that comes in several."""
    if not part.sizes_bytes:
        return units.size(part.size_bytes)
    smallest, largest = units.size(min(part.sizes_bytes)), units.size(max(part.sizes_bytes))
    unit = largest.partition(" ")[2]
    return f"{smallest.removesuffix(' ' + unit)} to {largest}"
