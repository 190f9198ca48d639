"""`simfs sweep`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from simfs.cli.exits import Refused, print_report
from simfs.cli.inputs import check_source, warn
from simfs.cli.options.workers import check_worker_options, shared_out, worker_options
from simfs.cli.progress import shown
from simfs.cli.sheets.tables_sheet import SHEET_HELP, check_page, print_and_save

if TYPE_CHECKING:
    from simfs.study.sweep import Sweep, Variation

SORT_WORDS = (  # as in simfs.study.sweep, which only a sweep loads
    "life", "longest-write", "longest-write-bound", "write-amplification", "erases", "programs", "energy", "ram",
    "free-room", "mount", "refused", "lost-records",
)  # fmt: skip


@click.command(epilog="Example: simfs sweep logger.toml --vary store.size=512KiB,1MiB")
@click.argument("scenario")
@click.option(
    "--vary",
    "varied",
    multiple=True,
    required=True,
    metavar="PATH=VALUE,VALUE...",
    help="A setting of the scenario and its values; once for each setting.",
)
@click.option("--sort", "sorted_by", type=click.Choice(SORT_WORDS), help="Sort by this figure, the best first.")
@worker_options
@click.option("--sheet", metavar="PAGE", help=SHEET_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
def sweep(
    scenario: str,
    varied: tuple[str, ...],
    sorted_by: str | None,
    workers: int | None,
    cluster: str | None,
    sheet: str | None,
    as_json: bool,
) -> None:
    """Run SCENARIO with some of its settings varied, and compare.

    A setting is a path into the scenario's TOML: store.size, chip.part,
    task.gauge.every, task[0].operations[0].size. Every combination of the
    values is run and has its line in the table; one that can't be run is
    listed with the reason.

    The exit status is 0, even if expectations are not met, or 2 on bad input
    and when no combination can be run.
    """
    check_source(scenario)
    if not scenario.endswith(".toml"):
        raise Refused(f"{scenario}: only a scenario has settings to vary; give a .toml file")
    check_worker_options(workers, cluster)
    check_page(sheet, scenario)
    variations = _variations(varied)
    done = _swept(scenario, variations, sorted_by or "", workers, cluster)
    print_and_save(sheet, lambda: _page(done), lambda: print_report(_text(done, as_json)))


def _variations(varied: tuple[str, ...]) -> list[Variation]:
    from simfs.study.sweep import Variation

    faults: list[str] = []
    found: list[Variation] = []
    for text in varied:
        try:
            found.append(Variation.parse(text))
        except ValueError as error:
            faults.append(f"--vary {text}: {error}")
    if faults:
        raise Refused(*faults)
    return found


def _swept(
    scenario: str, variations: list[Variation], sorted_by: str, workers: int | None, cluster: str | None
) -> Sweep:
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.study.sweep import BadVariation, sweep

    try:
        warn(scenario)
        with shared_out(f"running variants of {shown(scenario)}", workers, cluster) as (executor, progress):
            done = sweep(scenario, variations, sorted_by=sorted_by, executor=executor, progress=progress)
    except BadScenario as error:
        raise Refused(*error.faults) from None
    except BadVariation as error:
        raise Refused(*(f"--vary {fault}" for fault in error.faults)) from None
    except OSError as error:  # the file went away
        raise Refused(f"{scenario}: {error.strerror or error}") from None
    if all(variant.summary is None for variant in done.variants):
        raise Refused(
            *(
                f"--vary {' '.join(f'{name}={value}' for name, value in variant.settings.items())}: {reason}"
                for variant in done.variants
                for reason in variant.refused
            )
        )
    return done


def _page(done: Sweep) -> str:
    from simfs.show.sheet.tables import sweep_page

    return sweep_page(done)


def _text(done: Sweep, as_json: bool) -> str:
    if as_json:
        from simfs.show.json import object_of

        return object_of(done)
    from simfs.show.sweep import as_text

    return as_text(done)
