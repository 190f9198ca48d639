"""One part whole: each figure with the key by which a scenario gives it, and its source."""

from __future__ import annotations

from tabulate import tabulate

from simfs.flash.datasheet import Datasheet
from simfs.replay.scenario.changed_part import key_of, spelled
from simfs.replay.scenario.quantities import format_size

COLUMNS = ("key", "figure", "source")
SOURCE_LETTERS = 60


def as_text(part: Datasheet) -> str:
    """All that the catalogue has of the part."""
    rows = [(key_of(field), _figure(part, field), source) for field, source in part.sources().items()]
    kinds = [*(["serial"] if part.serial else []), *(["built into a microcontroller"] if part.built_in else [])]
    table = tabulate(
        rows, COLUMNS, tablefmt="simple", disable_numparse=True, maxcolwidths=[None, None, SOURCE_LETTERS],
        colalign=("left", "right", "left"),
    )  # fmt: skip
    return "\n".join([f"{part.name}: flash, {', '.join(kinds)}", "", table, "", *_hints(part)])


def _figure(part: Datasheet, field: str) -> str:
    value = getattr(part, field)
    if field == "size_bytes" and part.sizes_bytes:
        return ", ".join(map(format_size, part.sizes_bytes))
    if field == "page_programs_max" and not value:
        return "any number"
    return "not said" if field == "retention_years" and not value else spelled(field, value)


def _hints(part: Datasheet) -> list[str]:
    return [
        "Times: typ is the typical one, max the longest. A scenario takes the part as",
        f'part = "{part.name}" in its [chip], and any of these keys beside it instead of the part\'s figure.',
    ]
