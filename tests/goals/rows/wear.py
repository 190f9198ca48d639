"""Row 12: static wear levelling over many erases, as `test_wear_theory` sets it up."""

from __future__ import annotations

from collections.abc import Iterable

from simfs import NorFlash, Store, StoreConfig
from tests.goals.table import Outcome, Row
from tests.store.cleaning.test_wear_theory import level, spread

SPREAD_MAX = 16


def parts(cases: int) -> Iterable[str]:
    """Each cleaner that chooses by what is live has to stand the whole number."""
    return [f"{cleaner}; {cases} erases" for cleaner in ("greedy", "cost-benefit")]


def run(part: str) -> Outcome:
    cleaner, erases = part.split("; ")
    flash = NorFlash(32, 4096, 256)
    store = Store.format(flash, StoreConfig(cleaner=cleaner, level_threshold=SPREAD_MAX // 2))
    outcome = Outcome()
    try:
        level(store, flash, int(erases.split()[0]), SPREAD_MAX)
    except AssertionError as error:
        outcome.violated(part, error)
    outcome.tried = flash.erases
    outcome.notes.append(f"{cleaner}: spread {spread(store)} at the end")
    return outcome


ROWS = [
    Row(12, "erases with 80 % static data: erase counts differ by at most 16", 100_000, parts, run),
]
