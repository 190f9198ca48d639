"""`simfs run`."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

import click

from simfs.cli.ends import UNMET, Refused, Stopped, print_report
from simfs.cli.sources import check_source, recording_options, replay_source

if TYPE_CHECKING:
    from simfs.replay.run import Run


@click.command()
@click.argument("file")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
@click.option("--save-image", metavar="IMAGE", help="Keep the flash as it stands at the end in this file.")
@click.option("--plain", is_flag=True, help="Scenario: one operation after the other, which takes longer.")
@recording_options
def run(file: str, as_json: bool, save_image: str | None, plain: bool, **options: Any) -> None:
    """Replay FILE and report what the flash went through.

    FILE is a scenario (.toml), a Python script (.py), or a recording: what
    `strace -f -y -ttt -s 1048576 -x` wrote about a program.

    The exit status is 0, or 1 when an expectation is not met, or 2 on bad input.
    """
    check_source(file)
    if save_image is not None:
        _check_target(save_image, file)
    try:
        done = replay_source(file, options, plain=plain)
        report, met = _report(done, as_json)
        fault = _save(done, save_image) if save_image is not None else ""
    except KeyboardInterrupt:
        raise Stopped("simfs: stopped") from None
    print_report(report)
    if fault:
        raise Refused(fault)
    if not met:
        sys.exit(UNMET)


def _report(done: Run, as_json: bool) -> tuple[str, bool]:
    """The text to print, and whether every expectation is met."""
    from simfs.study.expect import judge
    from simfs.study.figures import figures

    taken = figures(done)
    verdicts = judge(done, taken)
    if as_json:
        from simfs.show.json import as_json as shown
    else:
        from simfs.show.text import as_text as shown
    return shown(taken, verdicts), all(verdict.met for verdict in verdicts)


def _check_target(image: str, source: str) -> None:
    """Refuse before the run what could not be written after it."""
    directory = os.path.dirname(os.path.realpath(image))
    if os.path.exists(image) and not os.path.isfile(image):
        raise Refused(f"--save-image {image}: it is no regular file; name a file to write")
    if os.path.exists(image) and os.path.exists(source) and os.path.samefile(image, source):
        raise Refused(f"--save-image {image}: this is the input; name another file")
    if not os.path.isdir(directory):
        raise Refused(f"--save-image {image}: there is no directory {directory}; create it first")
    if not os.access(directory, os.W_OK):
        raise Refused(f"--save-image {image}: nothing can be written in {directory}; name another place")


def _save(done: Run, image: str) -> str:
    """Keep the flash; what went wrong, or nothing."""
    from simfs.show.save import write_whole

    try:
        write_whole(image, done.flash.image())
    except OSError as error:
        return f"--save-image {image}: {error.strerror}; no image was written"
    return ""
