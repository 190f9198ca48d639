"""Row 20: a small world, searched whole. A store of four to six blocks, the smallest that can do the work; from each of
some moments of its life everything that cuts in a row can do to it: a cut at every flash change of every mount and
operation, with weak cells that read in every way that can matter at each power-on.

A part is a path (see `tests.goals.world.paths`), or a search from where a path leads:

    one head; start 3; search: 4 cuts, 1 operations, 5000 power-ons

`python -m tests.goals.world.trace PATH` prints a path in detail.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from tabulate import tabulate

from tests.goals.table import Outcome, Row
from tests.goals.world.paths import NoSuchPath, go, parse, reached_by, text_of
from tests.goals.world.search import Limits, Search
from tests.goals.world.settings import WORLDS, NoWorld

SEARCH = "search: "
STARTS = (*range(1, 13), 0)  # a new store last
DEPTHS = (4, 1), (2, 2)
"""Cuts of a path, and operations of it."""
PART_MIN = 1000  # power-ons
GOAL = 2_000_000


def parts(cases: int) -> Iterator[str]:
    """Searches of one size, all worlds before a second start of one."""
    possible = (name for name in WORLDS if _is_possible(name))
    worlds = list(possible) if cases >= 2 * PART_MIN else [next(possible)]  # to find the flash of each takes seconds
    searches = [(name, start, depth) for depth in DEPTHS for start in STARTS for name in worlds]
    count = min(max(cases // PART_MIN, 1), len(searches))
    for number in range(count):
        name, start, (cuts, operations) = searches[number * len(searches) // count]
        limit = f"{cuts} cuts, {operations} operations, {cases // count} power-ons"
        yield f"{name}; start {start}; {SEARCH}{limit}"


def _is_possible(name: str) -> bool:
    with suppress(NoWorld):
        return WORLDS[name].flash.geometry.block_count > 0
    return False


def run(part: str) -> Outcome:
    path, _, limit = part.partition(f"; {SEARCH}")
    return _search(path, limit) if limit else _replay(path)


def _replay(path: str) -> Outcome:
    outcome = Outcome()
    try:
        for gone in go(path):
            outcome.tried += 1
            if gone.problem:
                outcome.violated(path, gone.problem)
    except NoSuchPath as error:
        outcome.notes.append(f"the path ends after {outcome.tried} steps: {error}")
    return outcome


def _search(path: str, limit: str) -> Outcome:
    cuts, operations, power_ons = (int(one.split()[0]) for one in limit.split(", "))
    world, start, _ = parse(path)
    name = path.partition("; ")[0]
    found = Search(world, Limits(cuts, operations, power_ons)).run(reached_by(path))
    outcome = Outcome(tried=found.power_ons)
    for steps, text in found.violations:
        outcome.violated(text_of(name, start, steps), text)
    outcome.counts.update({"states": found.states, "readings": found.readings})
    outcome.counts[f"searches whole to {found.closed_cuts} cuts"] += found.closed_cuts >= 0
    figures = {"searches": 1, "power-ons": found.power_ons, "readings": found.readings, "states": found.states}
    figures |= {f"{found.closed_cuts} cuts": 1}
    for what, count in figures.items():
        outcome.cells[f"{name}, to {cuts} cuts, {operations} operations", what] += count
    return outcome


def show(outcome: Outcome) -> str:
    """What was searched of each world, and how many of the searches are whole up to how many cuts."""
    closed = [f"{cuts} cuts" for cuts in range(max(cuts for cuts, _ in DEPTHS) + 1)]
    columns = ["searches", "power-ons", "readings", "states", *closed]
    lines = [
        [what, *(outcome.cells[what, column] for column in columns)]
        for what in dict.fromkeys(what for what, _ in outcome.cells)
    ]
    return tabulate(lines, ["world", *columns[:4], *(f"whole to\n{one}" for one in closed)], intfmt=",") + "\n"


ROWS = [Row(20, "a small world searched whole, to four cuts in a row", GOAL, parts, run, show=show)]
