"""`simfs compare`."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import UNMET, Refused, print_report
from simfs.cli.inputs import check_source
from simfs.cli.progress import progress_bar
from simfs.cli.sheets.tables_sheet import SHEET_HELP, check_page, print_and_save

if TYPE_CHECKING:
    from simfs.study.compare import Comparison, Side

SIDES_MAX = 8  # columns of the table
CUTS_MAX = 100_000


@click.command(epilog="Example: simfs compare before.toml after.toml --tolerance 2")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option(
    "--with", "changes", multiple=True, metavar="SETTINGS",
    help="Run FILE with these settings too, such as 'store.size=1MiB; store.packing=page'.",
)  # fmt: skip
@click.option(
    "--tolerance", metavar="PERCENT", type=click.FloatRange(0), default=0,
    help="A figure may be so much worse than that of the first run; by default not at all.",
)  # fmt: skip
@click.option(
    "--cuts", type=click.IntRange(1, CUTS_MAX), metavar="N",
    help="Also cut the power at N places of each run, and compare what that leaves.",
)  # fmt: skip
@click.option("--sheet", metavar="PAGE", help=SHEET_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
def compare(
    files: tuple[str, ...],
    changes: tuple[str, ...],
    tolerance: float,
    cuts: int | None,
    sheet: str | None,
    as_json: bool,
) -> None:
    """Run scenarios, or one with other settings, and compare them with the first.

    Each FILE is a scenario (.toml) or a script (.py). The table has a line for
    each figure, and marks what differs and what is worse. With --with, one
    scenario is compared with itself under other settings. With --cuts each run
    is made once more, and the power is cut in it.

    The exit status is 0, or 1 when any run is worse than the first by more than
    the tolerance or does not meet an expectation that the first meets, or 2 on
    bad input.
    """
    for file in files:
        check_source(file, "give a scenario or a script")
        if not file.endswith((".toml", ".py")):
            raise Refused(f"{file}: only a scenario (.toml) or a script (.py) can be compared; give one")
    if changes and (len(files) > 1 or not files[0].endswith(".toml")):
        raise Refused("--with: it is for one scenario; give one .toml file, or leave it out")
    if not math.isfinite(tolerance):
        raise Refused(f"--tolerance {tolerance:g}: it is no number of percent; write for example 2")
    if not 2 <= len(files) + len(changes) <= SIDES_MAX:
        many = len(files) + len(changes)
        what = "it has nothing to be compared with" if many == 1 else f"{many} runs are too many to compare"
        raise Refused(f"{files[0]}: {what}; give 2 to {SIDES_MAX} in all, or one with --with SETTINGS")
    for file in files:
        check_page(sheet, file)
    found = _compared(files, changes, tolerance, cuts or 0)
    print_and_save(sheet, lambda: _page(found), lambda: print_report(_text(found, as_json)))
    if found.is_worse:
        sys.exit(UNMET)


def _compared(files: tuple[str, ...], changes: tuple[str, ...], tolerance: float, cuts: int) -> Comparison:
    from simfs.study.compare import compare as held_to_the_first
    from simfs.study.compare import run_changed, run_file

    runs = [(file, partial(run_file, file, cuts)) for file in files]
    runs += [(files[0], partial(run_changed, files[0], settings, cuts)) for settings in changes]
    sides = []
    with progress_bar("comparing") as progress:
        for file, run in runs:
            sides.append(_side(file, run))
            if progress:
                progress(len(sides), len(runs))
    return held_to_the_first(sides, tolerance)


def _side(file: str, run: Callable[[], Side]) -> Side:
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.study.compare import BadSettings

    try:
        return run()
    except BadScenario as error:
        raise Refused(*error.faults) from None
    except BadSettings as error:
        raise Refused(*(f"--with {fault}" for fault in error.faults)) from None
    except OSError as error:  # the file went away, or the flash holds no store any more
        raise Refused(f"{file}: {error.strerror or error}") from None


def _page(found: Comparison) -> str:
    from simfs.show.sheet.compare_page import compare_page

    return compare_page(found)


def _text(found: Comparison, as_json: bool) -> str:
    if as_json:
        from simfs.show.json import object_of

        return object_of(found)
    from simfs.show.compare import as_text

    return as_text(found)
