"""`simfs fleet`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from simfs.cli.exits import UNMET, Refused, print_report
from simfs.cli.inputs import carrying_options, check_source, recording_options, replay_source
from simfs.cli.options.limits import KEYS, check_limit_options, law_of, limit_options
from simfs.cli.options.workers import check_worker_options, shared_out, whole, worker_options
from simfs.cli.progress import progress_bar, shown
from simfs.cli.sheets.tables_sheet import SHEET_HELP, check_page, print_and_save

if TYPE_CHECKING:
    from simfs.replay.device.device import Run
    from simfs.study.fleet.first_block import Lost, Pace
    from simfs.study.fleet.limit_laws import Law
    from simfs.study.fleet.lost_store import SampledLosses
    from simfs.study.fleet.report import FleetReport
    from simfs.study.fleet.retention import Kept

DEVICES, DEVICES_MAX = 1000, 100_000
STORES_MAX = 10_000
HURRIED_CYCLES = 50
ACTIVATION_EV = 1.1


@click.command(epilog="Example: simfs fleet logger.toml --median-cycles 250000 --sigma 0.3")
@click.argument("file")
@limit_options
@click.option("--devices", type=click.IntRange(2, DEVICES_MAX), default=DEVICES, help="How many to simulate (1,000).")
@click.option("--seed", type=click.IntRange(0), default=0, metavar="S", help="The seed of their limits, 0 by default.")
@click.option(
    "--stores", type=click.IntRange(1, STORES_MAX), metavar="N", help="Run N devices until their store is lost."
)
@click.option(
    "--hurried-cycles",
    type=click.IntRange(10, 10**9),
    default=HURRIED_CYCLES,
    metavar="N",
    help=f"With --stores, half the blocks last N erases, {HURRIED_CYCLES} by default: more is closer to the truth.",
)
@worker_options
@click.option(
    "--carry-on",
    type=click.IntRange(10, 10**9),
    metavar="N",
    help="Scenario: carry it on until a block has had N erases, and take the pace of wear from that.",
)
@click.option("--exact", is_flag=True, help="Scenario: carry it on until each simulated device has lost a block.")
@click.option("--kept-at", type=float, metavar="C", help="How long data is kept at so many degrees Celsius.")
@click.option("--activation", type=float, metavar="EV", help=f"Activation energy for that, {ACTIVATION_EV} by default.")
@click.option("--sheet", metavar="PAGE", help=SHEET_HELP)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
@recording_options
@carrying_options
def fleet(file: str, sheet: str | None, as_json: bool, **options: Any) -> None:
    """Estimate when devices that all do what FILE says lose blocks and stores.

    FILE is a scenario (.toml), a Python script (.py), or a recording, as for
    `simfs run`. You say how many erases the blocks of real parts last, by a
    law's parameters or by a test that so many parts passed.

    The exit status is 0, or 1 when 1 % of the devices have lost a block
    before the life_min that the scenario expects, or 2 on bad input.
    """
    own = {key: options.pop(key) for key in (*KEYS, *_OWN)}
    check_source(file)
    check_limit_options(own)
    check_worker_options(own["workers"], own["cluster"])
    if own["activation"] is not None and own["kept_at"] is None:
        raise Refused("--activation: it is for --kept-at; give both")
    if own["carry_on"] and own["exact"]:
        raise Refused("--carry-on: it does not go with --exact, which goes on for longer; leave it out")
    for key in ("stores", "carry_on", "exact"):
        if own[key] and not file.endswith(".toml"):
            raise Refused(
                f"--{key.replace('_', '-')}: {file} has an end of its own, only a scenario goes on; leave it out"
            )
    check_page(sheet, file)
    report = _report(file, own, options)
    print_and_save(sheet, lambda: _page(report), lambda: print_report(_text(report, as_json)))
    if report.met is False:
        sys.exit(UNMET)


_OWN = (
    "devices", "seed", "stores", "hurried_cycles", "workers", "cluster", "carry_on", "exact", "kept_at", "activation",
)  # fmt: skip


def _report(file: str, own: dict[str, Any], options: dict[str, Any]) -> FleetReport:
    from simfs.files.store import NoLog
    from simfs.study.fleet.report import fleet_report

    run = replay_source(file, options)
    try:
        sheet = run.flash.datasheet
    except NoLog as error:
        raise Refused(f"{file}: {error}") from None
    law_name, law = law_of(own, sheet)
    try:
        pace, losses = _worn(file, run, law, own)
        sample = _sample(file, own, law, pace) if own["stores"] else None
    except ValueError as error:
        raise Refused(f"{file}: {error}") from None
    kept = _kept(own, sheet.rated_cycles, pace)
    return fleet_report(run, law_name, law, pace, losses, seed=own["seed"], store_sample=sample, kept=kept)


def _worn(file: str, run: Run, law: Law, own: dict[str, Any]) -> tuple[Pace, list[Lost]]:
    """The pace of wear, and the first blocks that the simulated devices lose."""
    from simfs.replay.scenario.load import load_scenario
    from simfs.study.fleet import pace as paces
    from simfs.study.fleet.first_block import simulate

    pace, devices, seed = paces.pace_of_run(run), own["devices"], own["seed"]
    carrying = f"carrying {shown(file)} on"
    if own["exact"]:
        with progress_bar(f"drawing the limits of {devices:,} devices") as progress:
            limits = paces.limits_of_fleet(law, len(pace.erases), devices, seed, progress)
        return whole(carrying, own["cluster"], paces.losses_of_life, load_scenario(file), pace, limits)
    if own["carry_on"]:
        pace = whole(carrying, own["cluster"], paces.pace_of_life, load_scenario(file), pace, own["carry_on"])
    wearing = f"wearing out {devices:,} devices"
    with shared_out(wearing, own["workers"], own["cluster"]) as (executor, progress):
        return pace, simulate(law, pace, devices, seed, executor=executor, progress=progress)


def _kept(own: dict[str, Any], rated_cycles: int, pace: Pace) -> tuple[Kept, ...]:
    from simfs.study.fleet.retention import kept

    if own["kept_at"] is None:
        return ()
    activation_ev = ACTIVATION_EV if own["activation"] is None else own["activation"]
    try:
        return tuple(kept(rated_cycles, own["kept_at"], activation_ev, pace.over_ns / max(pace.erases)))
    except ValueError as error:
        raise Refused(f"--kept-at: {error}") from None


def _sample(file: str, own: dict[str, Any], law: Law, pace: Pace) -> SampledLosses:
    from simfs.replay.scenario.load import load_scenario
    from simfs.show.units import counted
    from simfs.study.fleet.lost_store import hurry_for, sample_losses

    wearing = f"wearing out the stores of {counted(own['stores'], 'device')}"
    with shared_out(wearing, own["workers"], own["cluster"]) as (executor, progress):
        return sample_losses(
            load_scenario(file), law, pace, devices=own["stores"], seed=own["seed"],
            hurry=hurry_for(law, own["hurried_cycles"]), executor=executor, progress=progress,
        )  # fmt: skip


def _page(report: FleetReport) -> str:
    from simfs.show.sheet.fleet_page import fleet_page

    return fleet_page(report)


def _text(report: FleetReport, as_json: bool) -> str:
    if as_json:
        from simfs.show.json import object_of

        return object_of(report)
    from simfs.show.fleet import as_text

    return as_text(report)
