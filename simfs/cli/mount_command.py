"""`simfs mount`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import Refused, print_report
from simfs.cli.image_command import START, read_source
from simfs.cli.inputs import check_source
from simfs.cli.outputs import check_target, report_of, save_image

if TYPE_CHECKING:
    from simfs.files.contract import AnyStore
    from simfs.flash.datasheet import Datasheet
    from simfs.replay.scenario.tables import Scenario


@click.command(epilog="Example: simfs mount logger.toml DIRECTORY")
@click.argument("source")
@click.argument("directory")
@click.option("--part", metavar="NAME", help="Image: its chip; `simfs parts` lists them.")
@click.option("--device", metavar="SCENARIO", help="Image: take its chip from a scenario.")
@START
@click.option("--read-only", is_flag=True, help="Let nothing be changed; the flash stays as it is.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
@click.option("--save-image", "image", metavar="IMAGE", help="Save the flash in this file as it is at the end.")
def mount(
    source: str,
    directory: str,
    part: str | None,
    device: str | None,
    start: str | None,
    read_only: bool,
    as_json: bool,
    image: str | None,
) -> None:
    """Mount a store on DIRECTORY, for any program to work on.

    SOURCE is an image of a store, a dump of the whole chip, Intel HEX or
    S-records, or a scenario (.toml). With a scenario the
    store is new, on its chip and with its settings; its tasks are not played
    and its expectations not judged. `fusermount3 -u DIRECTORY`, Ctrl-C or
    SIGTERM ends the mount and prints the report. SOURCE stays as it is.

    The exit status is 0, or 2 on bad input.
    """
    if image is not None:
        _check_image(image, source, directory)
        image = os.path.abspath(image)  # libfuse goes to the root directory while it serves
    report, fault = _served(source, directory, part, device, start, read_only, as_json, image)
    print_report(report)
    if fault:
        raise Refused(fault)


def _served(
    source: str,
    directory: str,
    part: str | None,
    device: str | None,
    start: str | None,
    read_only: bool,
    as_json: bool,
    image: str | None,
) -> tuple[str, str]:
    """The report, and why the image could not be saved, if so."""
    from simfs.bridges.mount.mount import CannotMount
    from simfs.bridges.mount.mount import mount as serve
    from simfs.bridges.mount.report import with_left
    from simfs.bridges.mount.store import CannotShow

    scenario = _scenario(source) if source.endswith(".toml") else None
    store = _new_store(scenario, part, device, start) if scenario else store_in(source, part, device, start, read_only)
    title = (scenario.title if scenario else "") or Path(source).stem
    try:
        run, left = serve(
            store, directory, title=title, source=source, read_only=read_only,
            ready=lambda: _tell(directory),
        )  # fmt: skip
    except CannotMount as error:
        raise Refused(error) from None
    except CannotShow as error:
        raise Refused(f"{source}: {error}") from None
    report = with_left(report_of(run, as_json)[0], left, as_json)
    return report, save_image(run, image) if image is not None else ""


def _tell(directory: str) -> None:
    print(f"simfs: {directory} is the store now; end it with fusermount3 -u {directory}", file=sys.stderr, flush=True)


def _check_image(image: str, source: str, directory: str) -> None:
    check_target(image)
    if os.path.realpath(image).startswith(os.path.realpath(directory) + os.sep):
        raise Refused(f"--save-image {image}: it would lie in the mounted directory; name another place")
    if source.endswith(".toml") and os.path.realpath(image) == os.path.realpath(source):
        raise Refused(f"--save-image {image}: this is the scenario; name another file")


def _scenario(file: str) -> Scenario:
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.replay.scenario.load import load_scenario

    check_source(file)
    try:
        return load_scenario(file)
    except BadScenario as error:
        raise Refused(*error.faults) from None


def _new_store(scenario: Scenario, part: str | None, device: str | None, start: str | None) -> AnyStore:
    from simfs.replay.play import make_store

    for option, value in (("part", part), ("device", device), ("start", start)):
        if value is not None:
            raise Refused(f"--{option}: it is for images; a scenario has its own chip")
    return make_store(scenario)


def store_in(file: str, part: str | None, device: str | None, start: str | None, read_only: bool) -> AnyStore:
    """The store in an image or a dump, on the chip that is named; without one, on a chip as the store says itself."""
    from simfs.files import Store
    from simfs.flash import NorFlash

    sheet = _datasheet(part, device)
    found = read_source(file, start)
    block_bytes = found.settings.block_bytes
    if sheet and sheet.block_bytes != block_bytes:
        raise Refused(
            f"{file}: the store is made for erase blocks of {block_bytes} bytes; --part or --device give another chip"
        )
    try:
        flash = NorFlash.from_image(found.data, datasheet=sheet) if sheet else found.flash()
        return Store.mount(flash, read_only)
    except ValueError as error:
        raise Refused(f"{file}: {error}; --part or --device give another chip") from None
    except OSError as error:
        raise Refused(f"{file}: {error.strerror or error}") from None


def _datasheet(part: str | None, device: str | None) -> Datasheet | None:
    from simfs.flash.parts import PARTS
    from simfs.replay.scenario.near_words import did_you_mean

    if part and device:
        raise Refused(f"--part: {device} gives it already; leave out this or --device")
    if device:
        return _scenario(device).chip.datasheet()
    if part and part not in PARTS:
        near = did_you_mean(part, PARTS)
        raise Refused(f"--part {part}: there is no such part in the catalogue; {near}known are {', '.join(PARTS)}")
    return PARTS[part] if part else None
