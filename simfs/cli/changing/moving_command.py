"""`simfs moving`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import UNMET, Refused, print_report
from simfs.cli.inputs import check_source
from simfs.cli.progress import progress_bar, shown

if TYPE_CHECKING:
    from simfs.cli.progress import Progress
    from simfs.study.moving.findings import Moving


@click.command(epilog="Example: simfs moving scenarios/greenhouse_card.toml --to flash")
@click.argument("file")
@click.option("--to", required=True, type=click.Choice(["flash", "card"]), help="The kind of store to move to.")
@click.option(
    "--with", "settings", multiple=True, metavar="SETTINGS",
    help="Settings of the new store, such as 'chip.part=W25Q32JV; store.size=2MiB'.",
)  # fmt: skip
@click.option(
    "--device", metavar="SCENARIO", help="Recording: take the new chip or card and its store from a scenario."
)
@click.option("--directory", metavar="DIR", help="Recording by strace: the directory that the store replaces.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every finding.")
def moving(
    file: str, to: str, settings: tuple[str, ...], device: str | None, directory: str | None, as_json: bool
) -> None:
    """Find what will not carry over when the files of FILE move to another kind of store.

    FILE is a scenario (.toml), or a recording of a real program. It is run as
    it is and on the new store, and each thing that is lost or refused there
    is named with its line, what will happen and a fix, which is run too
    where that can be.

    The exit status is 1 when something is lost or refused after the move, 0
    when there is only advice or nothing, or 2 on bad input.
    """
    check_source(file, "give a scenario or a recording")
    if file.endswith(".py"):
        raise Refused(f"{file}: a script has no lines to point at; give a scenario (.toml) or a recording")
    if file.endswith(".toml"):
        for option, given in (("--device", device), ("--directory", directory)):
            if given:
                raise Refused(f"{option}: it is for recordings, and {file} is none; leave it out")
    with progress_bar(f"moving {shown(file)}") as progress:
        found = _found(file, to, settings, device, directory, progress)
    print_report(_text(found, as_json))
    if found.lost_or_refused:
        sys.exit(UNMET)


def _found(
    file: str, to: str, settings: tuple[str, ...], device: str | None, directory: str | None, progress: Progress | None
) -> Moving:
    from simfs.replay.recorded.faults import BadRecording
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.study.moving.moved import CannotMove

    try:
        if file.endswith(".toml"):
            from simfs.study.moving.scenarios.move import moving_scenario

            return moving_scenario(file, to, settings, progress)
        from simfs.study.moving.recordings.move import moving_recording

        return moving_recording(file, to, settings, device, directory, progress)
    except (BadScenario, CannotMove) as error:
        raise Refused(*error.faults) from None
    except BadRecording as error:
        raise Refused(error) from None
    except OSError as error:  # the file went away
        raise Refused(f"{error.filename or file}: {error.strerror or error}") from None


def _text(found: Moving, as_json: bool) -> str:
    if as_json:
        from simfs.show.json import object_of

        return object_of(found)
    from simfs.show.moving.text import as_text

    return as_text(found)
