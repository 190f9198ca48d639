"""`simfs map`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from simfs.cli.exits import Refused, print_report
from simfs.cli.inputs import check_source, refuse_a_card
from simfs.cli.options.workers import check_worker_options, shared_out, worker_options
from simfs.cli.outputs import check_targets
from simfs.cli.progress import shown
from simfs.cli.sheets.tables_sheet import SHEET_HELP, check_page, print_and_save

if TYPE_CHECKING:
    from simfs.study.flash_map import FlashMap
    from simfs.study.sweep import Sweep


@click.command("map", epilog="Example: simfs map chip.toml --svg chip.svg")
@click.argument("file")
@click.option("--svg", metavar="OUT", help="Write a picture of the map into this file.")
@click.option("--sheet", metavar="PAGE", help=SHEET_HELP)
@click.option(
    "--stores", metavar="SIZE,SIZE...", help="Run the scenario with a store of each of these sizes, and compare."
)
@worker_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
def flash_map(
    file: str,
    svg: str | None,
    sheet: str | None,
    stores: str | None,
    workers: int | None,
    cluster: str | None,
    as_json: bool,
) -> None:
    """Draw what the chip of FILE is shared out among, and what is left of it.

    FILE is a scenario (.toml), or a file with its [chip] and [[region]] tables
    alone. Every region is checked: whole erase blocks, overlaps, the chip's
    end, updates that the program will outgrow, a store that shares an erase
    block. With --stores the scenario is run with each store, all other regions
    staying where they are, and the table is printed in place of the map.

    The exit status is 0, or 2 on bad input.
    """
    check_source(file, "give a scenario, or the regions of a chip")
    if not file.endswith(".toml"):
        raise Refused(f"{file}: only a scenario or the regions of a chip have a map; give a .toml file")
    check_worker_options(workers, cluster)
    if stores is None and (workers is not None or cluster is not None):
        raise Refused(f"--{'workers' if workers is not None else 'cluster'}: it is for --stores; leave it out")
    check_targets({"--svg": svg, "--sheet": sheet}, file)
    check_page(sheet, file)
    drawn = _map(file)
    done = None if stores is None else _with_stores(file, stores, workers, cluster)
    if svg is not None:
        _write_picture(drawn, svg)
    text = _map_text(drawn, as_json) if done is None else _sweep_text(done, as_json)
    print_and_save(sheet, lambda: _page(drawn, done), lambda: print_report(text))


def _page(drawn: FlashMap, done: Sweep | None) -> str:
    from simfs.show.sheet.tables import map_page, sweep_page

    return map_page(drawn) if done is None else sweep_page(done)


def _map(file: str) -> FlashMap:
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.replay.scenario.load import load_scenario
    from simfs.replay.scenario.tables import DeviceOnly
    from simfs.study.flash_map import flash_map

    try:
        scenario = load_scenario(file, DeviceOnly)
        refuse_a_card(scenario, file)
        return flash_map(scenario, file)
    except BadScenario as error:
        raise Refused(*error.faults) from None
    except OSError as error:  # the file went away
        raise Refused(f"{file}: {error.strerror or error}") from None


def _with_stores(file: str, stores: str, workers: int | None, cluster: str | None) -> Sweep:
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.study.flash_map import BadSizes, run_stores

    try:
        with shared_out(f"running {shown(file)} with each store", workers, cluster) as (executor, progress):
            return run_stores(file, stores.split(","), executor=executor, progress=progress)
    except BadScenario as error:
        what = "--stores: only a scenario can be run, and this is none"
        raise Refused(*(f"{what}: {fault}" for fault in error.faults)) from None
    except BadSizes as error:
        raise Refused(*(f"--stores: {fault}" for fault in error.faults)) from None
    except OSError as error:  # the file went away
        raise Refused(f"{file}: {error.strerror or error}") from None


def _sweep_text(done: Sweep, as_json: bool) -> str:
    if as_json:
        from simfs.show.json import object_of

        return object_of(done)
    from simfs.show.sweep import as_text

    return as_text(done)


def _map_text(drawn: FlashMap, as_json: bool) -> str:
    if as_json:
        from simfs.show.json import object_of

        return object_of(drawn, note="")
    from simfs.show.map.text import as_text

    return as_text(drawn)


def _write_picture(drawn: FlashMap, path: str) -> None:
    from simfs.show.map.svg import as_svg
    from simfs.show.save import write_whole

    try:
        write_whole(path, as_svg(drawn).encode())
    except OSError as error:
        raise Refused(f"--svg {path}: {error.strerror or error}; no picture was written") from None
