"""The goals table: how trusted storage is tested, row by row, with what was tried and what was found.

    python -m tests.goals                         every row in full (hours)
    python -m tests.goals --share 0.01            a hundredth of the cases of every row
    python -m tests.goals --row 9 --cases 100000
    python -m tests.goals --row 9 --part 'plain; seed 3; 812 operations'    one part alone: a violation is printed so

Prints a table and exits with 1 when anything was violated. "Exhaustive" holds for the scenarios and the fault profile
that a row names. No real chip is tested.
"""

from __future__ import annotations

import argparse
import importlib
import shlex
import sys

from tabulate import tabulate

from tests.goals.table import Measured, Row, measure

MODULES = {
    "cuts": (1, 2, 3, 4, 5),
    "rot": (6,),
    "hostile": (7, 10, 16),
    "sequences": (8,),
    "random_work": (9,),
    "errors": (11,),
    "wear": (12,),
    "same": (13, 18),
    "planted_bugs": (15,),
    "reached": (17,),
    "damaged_blocks": (22,),
    "sound_files": (24,),
    "lives": (19,),
    "small_world": (20,),
    "formats": (21,),
    "numbers": (23,),
}
NUMBERS = sorted(number for numbers in MODULES.values() for number in numbers)


def row_of(number: int) -> Row:
    module = next(name for name, numbers in MODULES.items() if number in numbers)
    return next(row for row in importlib.import_module(f"tests.goals.rows.{module}").ROWS if row.number == number)


def options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Try the rows of the goals table and print what was found.")
    parser.add_argument("--row", type=int, action="append", choices=NUMBERS, help="only this row; may be given again")
    much = parser.add_mutually_exclusive_group()
    much.add_argument("--share", type=float, default=1.0, help="the share of a row's cases to try, from 0 to 1")
    much.add_argument("--cases", type=int, help="how many cases of a row to try")
    much.add_argument("--part", help="one part of one row, as a violation is printed")
    parser.add_argument("--workers", type=int, default=2, help="processes that work at the same time")
    chosen = parser.parse_args()
    if chosen.part is not None and len(chosen.row or ()) != 1:
        parser.error("--part takes one --row with it")
    return chosen


def line_of(measured: Measured) -> list[str]:
    row, outcome = measured.row, measured.outcome
    figures = [f"{count:,} {what}" for what, count in sorted(outcome.counts.items())]
    rate = f"{outcome.tried / measured.time_s:,.0f}/s" if measured.time_s and row.goal > 1 else ""
    return [
        str(row.number), row.what, f"{row.goal:,}", f"{outcome.tried:,}", str(len(outcome.violations)),
        f"{measured.time_s:.1f}", rate, "; ".join(figures + outcome.notes),
    ]  # fmt: skip


def violation_line(number: int, part: str, text: str) -> str:
    """To be pasted into a shell."""
    return f"python -m tests.goals --row {number} --part {shlex.quote(part)}  # {text}"


HEADINGS = ["row", "what", "goal cases", "cases tried", "violations", "time, s", "rate", "of which"]
WIDTHS = [None, 40, None, None, None, None, None, 60]
ALIGN = ("right", "left", "right", "right", "right", "right", "right", "left")


def main() -> int:
    chosen = options()
    lines, violated = [], 0
    for number in chosen.row or NUMBERS:
        row = row_of(number)
        if chosen.part is not None:
            row = Row(row.number, row.what, row.goal, lambda _: [chosen.part], row.run)
        cases = chosen.cases or max(1, round(row.goal * chosen.share))
        measured = measure(row, cases, chosen.workers)
        lines.append(line_of(measured))
        print(f"row {number}: {measured.outcome.tried:,} cases, {measured.time_s:.1f} s", file=sys.stderr)
        for part, text in measured.outcome.violations:
            violated += 1
            print(violation_line(number, part, text))
        if row.show is not None:
            print(row.show(measured.outcome))
    print(tabulate(lines, HEADINGS, maxcolwidths=WIDTHS, colalign=ALIGN, disable_numparse=True))
    return 1 if violated else 0


if __name__ == "__main__":
    sys.exit(main())
