"""The notes in a mount's report: what the host saw in the directory and the store does not keep."""

from __future__ import annotations

import json
import textwrap

from simfs.bridges.mount.store import Left
from simfs.show import units
from simfs.show.text import COLUMNS

SHOWN = 5


def with_left(report: str, left: Left, as_json: bool) -> str:
    """The report with these notes at its end."""
    if as_json:
        return json.dumps({**json.loads(report), "mount": _object(left)}, indent=2)
    notes = [
        "The store keeps bytes and names. Times, modes and owners of files lasted until now, and what the host kept in "
        f"its own cache was not read from the {left.medium}."
    ]
    if left.empty_directories:
        shown = ", ".join(units.plain(path, COLUMNS) for path in left.empty_directories[:SHOWN])
        more = len(left.empty_directories) - SHOWN
        notes.append(
            f"! {units.counted(len(left.empty_directories), 'empty directory', 'empty directories')} ended with the "
            f"mount, the store has none: {shown}{f' and {more:,} more' if more > 0 else ''}."
        )
    return "\n".join([report, "", *(textwrap.fill(note, COLUMNS, break_on_hyphens=False) for note in notes)])


def _object(left: Left) -> dict[str, object]:
    return {"empty_directories_lost": list(left.empty_directories)}
