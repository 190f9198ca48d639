"""`simfs run`."""

from __future__ import annotations

import sys
from typing import Any

import click

from simfs.cli.exits import UNMET, Refused, print_report
from simfs.cli.inputs import carrying_options, check_source, recording_options, replay_source
from simfs.cli.options.watching import Watching, watch_options
from simfs.cli.outputs import check_targets, judged, report_of, save_image, save_stacks
from simfs.cli.sheets.run_sheet import RunSheet, charging_of, sheet_options


@click.command(epilog="Example: simfs run logger.toml")
@click.argument("file")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
@sheet_options
@click.option("--who", is_flag=True, help="Say who wore the flash: by task, file and kind.")
@click.option("--stacks", metavar="STACKS", help="Save who wore the flash in this file, for a flame graph.")
@click.option(
    "--stacks-of",
    type=click.Choice(("bytes", "erases")),
    help="Count bytes programmed in it, as by default, or millionths of erases.",
)
@click.option(
    "--save-image", "image", metavar="IMAGE", help="Save flash or card as it is at the end; of both, also IMAGE.card."
)
@watch_options
@click.option("--plain", is_flag=True, help="Scenario: do one operation after the other, which takes longer.")
@recording_options
@carrying_options
def run(
    file: str,
    as_json: bool,
    image: str | None,
    who: bool,
    stacks: str | None,
    stacks_of: str | None,
    plain: bool,
    **options: Any,
) -> None:
    """Replay FILE and report what the flash went through.

    FILE is a scenario (.toml), a Python script (.py), or a recording: what
    `strace -f -y -ttt -s 1048576 -x` wrote about a program, or a console log
    in which a firmware reports its file operations (see `simfs recorder`).
    What the scenario of --device expects is judged for a recording too.

    The report begins with a verdict. What a scenario does not expect and yet
    happens to its data, such as a refusal, is not met either.

    The exit status is 0, or 1 when an expectation is not met, or 2 on bad input.
    """
    check_source(file)
    sheet = RunSheet(options)
    watching = Watching(film := options.pop("film"), options.pop("narrate"), as_json)
    check_targets({"--save-image": image, "--stacks": stacks, "--film": film, "--sheet": sheet.path}, file)
    check_stacks(stacks, stacks_of)
    charging = charging_of(who or stacks is not None, sheet)
    done = replay_source(file, options, [*charging, *sheet.observers, *watching.observers], plain=plain)
    wearers = charging[0].report() if charging else None
    taken, verdicts = judged(done)
    report, met = report_of(taken, verdicts, as_json, wearers if who else None)
    faults = [save_image(done, image)] if image is not None else []
    faults += [save_stacks(wearers, stacks, stacks_of or "bytes")] if wearers and stacks is not None else []
    faults += [*sheet.save(done, taken, verdicts, wearers), *watching.end(done, file)]
    print_report(report)
    if any(faults):
        raise Refused(*filter(None, faults))
    if not met:
        sys.exit(UNMET)


def check_stacks(stacks: str | None, of: str | None) -> None:
    """Refuse to count for a file that nobody asked for."""
    if of and stacks is None:
        raise Refused(f"--stacks-of {of}: it says what --stacks counts; give a file with --stacks")
