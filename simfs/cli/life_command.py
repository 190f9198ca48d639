"""`simfs life`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from simfs.cli.exits import UNMET, Refused, print_report
from simfs.cli.inputs import check_source, refuse_a_card, warn
from simfs.cli.options.limits import KEYS, check_limit_options, law_of, limit_options
from simfs.cli.options.workers import cluster_option, whole
from simfs.cli.progress import shown
from simfs.cli.sheets.tables_sheet import SHEET_HELP, check_page, print_and_save

if TYPE_CHECKING:
    from simfs.replay.scenario.tables import Scenario
    from simfs.study.life.report import LifeReport

UNTIL = ("rated", "limit", "full")


@click.command(epilog="Example: simfs life logger.toml")
@click.argument("scenario")
@click.option(
    "--until",
    type=click.Choice(UNTIL),
    default=UNTIL[0],
    help="Until a block is at its rated cycles (default), at its true limit, or the store is full.",
)
@limit_options
@click.option("--seed", type=click.IntRange(0), metavar="S", help="The seed of the limits, with --until limit.")
@click.option("--quick", is_flag=True, help="Project from the pace of wear, once it is steady.")
@cluster_option
@click.option("--sheet", metavar="PAGE", help=SHEET_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
def life(
    scenario: str,
    until: str,
    seed: int | None,
    quick: bool,
    cluster: str | None,
    sheet: str | None,
    as_json: bool,
    **limits: Any,
) -> None:
    """Carry SCENARIO on to the end of its device's life.

    Reports when that is, which block it is, and which task wore it. The
    scenario's own duration does not count. True limits come from a law, as for
    `simfs fleet`; a seed draws those of one device.

    The exit status is 0, or 1 when a block reaches its rated cycles before
    the life_min that the scenario expects or when the store refuses what the
    scenario does not expect it to, or 2 on bad input.
    """
    check_source(scenario)
    if not scenario.endswith(".toml"):
        raise Refused(f"{scenario}: only a scenario goes on for ever; give a .toml file, or take `simfs run`")
    _check_limits(until, {**limits, "seed": seed})
    check_page(sheet, scenario)
    report = _report(scenario, until, limits, seed or 0, quick, cluster)
    print_and_save(sheet, lambda: _page(report), lambda: print_report(_text(report, as_json)))
    if report.met is False:
        sys.exit(UNMET)


def _check_limits(until: str, given: dict[str, Any]) -> None:
    if until == "limit":
        check_limit_options(given)
        return
    for key in (*KEYS, "seed"):
        if given[key] is not None:
            raise Refused(f"--{key.replace('_', '-')}: it is for --until limit; leave it out or ask for that")


def _report(path: str, until: str, limits: dict[str, Any], seed: int, quick: bool, cluster: str | None) -> LifeReport:
    from simfs.replay.batch.dated_names import obstacle
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.replay.scenario.load import load_scenario
    from simfs.study.life.end_of_life import end_of_life
    from simfs.study.life.report import life_report

    try:
        scenario = load_scenario(path)
        refuse_a_card(scenario, path)
        warn(path, scenario, ends=False)
        drawn = _limits(scenario, limits, seed) if until == "limit" else None
        perhaps = "" if quick or obstacle(scenario) else ", or far less once its work repeats itself"
        found = whole(
            f"carrying {shown(path)} on", cluster, end_of_life, scenario, until=until, limits=drawn, project=quick,
            perhaps=perhaps,
        )  # fmt: skip
    except BadScenario as error:
        raise Refused(*error.faults) from None
    except OSError as error:
        raise Refused(f"{path}: {error.strerror or error}") from None
    return life_report(scenario, path, Path(path).stem, found)


def _limits(scenario: Scenario, given: dict[str, Any], seed: int) -> list[int]:
    from simfs.replay.scenario.crosschecks import region_blocks
    from simfs.study.fleet.first_block import device_seed
    from simfs.study.fleet.limit_laws import limits_of

    _, law = law_of(given, scenario.chip.datasheet())
    return limits_of(law, device_seed(seed, 0), region_blocks(scenario.chip, scenario.store))


def _page(report: LifeReport) -> str:
    from simfs.show.sheet.life_page import life_page

    return life_page(report)


def _text(report: LifeReport, as_json: bool) -> str:
    if as_json:
        from simfs.show.json import object_of

        return object_of(report)
    from simfs.show.life import as_text

    return as_text(report)
