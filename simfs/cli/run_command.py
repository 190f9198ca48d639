"""`simfs run`."""

from __future__ import annotations

import sys
from typing import Any

import click

from simfs.cli.exits import UNMET, Refused, print_report
from simfs.cli.inputs import check_source, recording_options, replay_source
from simfs.cli.outputs import check_target, report_of, save_image


@click.command(epilog="Example: simfs run logger.toml")
@click.argument("file")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
@click.option("--save-image", "image", metavar="IMAGE", help="Save the flash or card in this file as it is at the end.")
@click.option("--plain", is_flag=True, help="Scenario: do one operation after the other, which takes longer.")
@recording_options
@click.option("--repeat", metavar="N", type=click.IntRange(1), help="Recording: do its work N times in all.")
@click.option(
    "--for", metavar="DURATION", help="Recording: do its work again until this time has passed, such as 5years."
)
@click.option(
    "--takes", metavar="DURATION", help="Recording by strace: how long the device takes for its work, such as 1d."
)
def run(file: str, as_json: bool, image: str | None, plain: bool, **options: Any) -> None:
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
    if image is not None:
        check_target(image, "--save-image", file)
    done = replay_source(file, options, plain=plain)
    report, met = report_of(done, as_json)
    fault = save_image(done, image) if image is not None else ""
    print_report(report)
    if fault:
        raise Refused(fault)
    if not met:
        sys.exit(UNMET)
