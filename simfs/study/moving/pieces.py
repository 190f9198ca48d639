"""When small pieces and rewriting are a habit, on either kind of store."""

from __future__ import annotations

OFTEN = 50  # times at one place: fewer are no habit
SMALL_SHARE = 4  # a piece is small that fills at most a fourth of what the medium writes at once
GATHER_MAX = 60
SHARE_MIN = 0.1  # of all programs: less is not worth a change
IN_PLACE = {
    "flash": "nothing is changed in place on flash: each time new pages are programmed, and the old ones erased later",
    "card": "the card programs whole blocks of its own for each, and the table and the directory entry too",
}

WRITES = {"flash": "programs", "card": "sector writes"}
"""The word for what is written at once."""


def gathered(mean_bytes: int, unit_bytes: int) -> int:
    """How many pieces fill half of what the medium writes at once."""
    return max(2, min(GATHER_MAX, unit_bytes // (2 * max(1, mean_bytes))))


def by_itself(unit_bytes: int) -> str:
    """What happens to a small piece."""
    return f"each is written by itself, with a header or whole sectors for it; {unit_bytes:,} bytes fit at once"
