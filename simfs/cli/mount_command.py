"""`simfs mount`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import Refused, print_report
from simfs.cli.image_command import START, read_source
from simfs.cli.inputs import check_source, refuse_both, warn
from simfs.cli.outputs import check_target, judged, report_of, save_image

if TYPE_CHECKING:
    from collections.abc import Callable

    from simfs.bridges.mount.saving import Saving
    from simfs.bridges.mount.store import Left, MountedStore
    from simfs.files.contract import AnyStore
    from simfs.flash.datasheet import Datasheet
    from simfs.replay.device.device import Run
    from simfs.replay.scenario.tables import Scenario

INTERVAL_MAX_NS = 365 * 86_400 * 1_000_000_000


@click.command(epilog="Example: simfs mount logger.toml DIRECTORY")
@click.argument("source")
@click.argument("directory")
@click.option("--part", metavar="NAME", help="Image: its chip; `simfs parts` lists them.")
@click.option("--device", metavar="SCENARIO", help="Image: take its chip or card from a scenario.")
@START
@click.option("--read-only", is_flag=True, help="Let nothing be changed; the store stays as it is.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
@click.option("--save-image", "image", metavar="IMAGE", help="Save the flash or card in this file at the end.")
@click.option("--save-every", metavar="DURATION", help="Save it while the mount lasts too, such as every 10s.")
def mount(
    source: str,
    directory: str,
    part: str | None,
    device: str | None,
    start: str | None,
    read_only: bool,
    as_json: bool,
    image: str | None,
    save_every: str | None,
) -> None:
    """Mount a store on DIRECTORY, for any program to work on.

    SOURCE is an image of a store, a dump of the whole chip, Intel HEX or
    S-records, the image of a card with a FAT volume, or a scenario (.toml).
    With a scenario the store is new, on its chip or card and with its
    settings; it needs no tasks, they are not played, and its expectations not
    judged. `fusermount3 -u DIRECTORY`, Ctrl-C or SIGTERM
    ends the mount and prints the report. SOURCE stays as it is. The image is
    saved at the end, and each time that a program syncs a directory.

    The exit status is 0, or 2 on bad input.
    """
    every_ns = 0 if save_every is None else _interval_ns(save_every, image)
    if image is not None:
        _check_image(image, source, directory)
        image = os.path.abspath(image)  # libfuse goes to the root directory while it serves
    scenario = _scenario(source) if source.endswith(".toml") else None
    store = _new_store(scenario, part, device, start) if scenario else store_in(source, part, device, start, read_only)
    if image is not None:
        _check_size(store, image)
    title = (scenario.title if scenario else "") or Path(source).stem
    saving = None if image is None else _saving(image, every_ns)
    run, left = _served(store, directory, title, source, read_only, saving)
    print_report(_report(run, left, as_json))
    if fault := save_image(run, image) if image is not None else "":
        raise Refused(fault)


def _served(
    store: AnyStore,
    directory: str,
    title: str,
    source: str,
    read_only: bool,
    saving: Callable[[MountedStore], Saving] | None,
) -> tuple[Run, Left]:
    from simfs.bridges.mount.mount import CannotMount
    from simfs.bridges.mount.mount import mount as serve
    from simfs.bridges.mount.store import CannotShow

    try:
        return serve(
            store, directory, title=title, source=source, read_only=read_only, saving=saving,
            ready=lambda: _say(f"{directory} is the store now; end it with fusermount3 -u {directory}"),
        )  # fmt: skip
    except CannotMount as error:
        raise Refused(error) from None
    except CannotShow as error:
        raise Refused(f"{source}: {error}") from None


def _report(run: Run, left: Left, as_json: bool) -> str:
    from simfs.bridges.mount.report import with_left

    return with_left(report_of(*judged(run), as_json)[0], left, as_json)


def _saving(image: str, every_ns: int) -> Callable[[MountedStore], Saving]:
    """What saves the image while the mount lasts."""
    from simfs.bridges.mount.saving import Saving
    from simfs.replay.scenario.quantities import format_duration

    def failed(error: OSError) -> None:
        again = f"it is tried again every {format_duration(every_ns)}"
        _say(f"--save-image {image}: {error.strerror}; nothing was saved, {again}")

    return lambda mounted: Saving(mounted, image, every_ns, failed)


def _interval_ns(text: str, image: str | None) -> int:
    """What --save-every says."""
    from simfs.replay.scenario.quantities import parse_duration

    if image is None:
        raise Refused(f"--save-every {text}: nothing says where to; name a file with --save-image")
    try:
        interval_ns = parse_duration(text)
    except ValueError as error:
        raise Refused(f"--save-every {text}: {error}") from None
    if not 0 < interval_ns <= INTERVAL_MAX_NS:
        raise Refused(f"--save-every {text}: write a time above 0 and up to 365 d, for example 10 s")
    return interval_ns


def _say(what: str) -> None:
    print(f"simfs: {what}", file=sys.stderr, flush=True)


def _check_image(image: str, source: str, directory: str) -> None:
    check_target(image, "--save-image", source)
    if os.path.realpath(image).startswith(os.path.realpath(directory) + os.sep):
        raise Refused(f"--save-image {image}: it would lie in the mounted directory; name another place")


def _check_size(store: AnyStore, image: str) -> None:
    from simfs.files.images import IMAGE_BYTES_MAX

    if store.medium.size_bytes > IMAGE_BYTES_MAX:
        raise Refused(f"--save-image {image}: it would have more than {IMAGE_BYTES_MAX >> 30} GiB; take a smaller card")


def _scenario(file: str) -> Scenario:
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.replay.scenario.load import load_scenario
    from simfs.replay.scenario.tables import DeviceOnly

    check_source(file)
    try:
        scenario = load_scenario(file, kind=DeviceOnly)
        refuse_both(scenario, file)
        warn(file, scenario, ends=False)
        return scenario
    except BadScenario as error:
        raise Refused(*error.faults) from None


def _new_store(scenario: Scenario, part: str | None, device: str | None, start: str | None) -> AnyStore:
    from simfs.replay.play import make_store

    for option, value in (("part", part), ("device", device), ("start", start)):
        if value is not None:
            raise Refused(f"--{option}: it is for images; a scenario has its own chip")
    return make_store(scenario)


def store_in(file: str, part: str | None, device: str | None, start: str | None, read_only: bool) -> AnyStore:
    """The store in an image or a dump, on the chip that is named; without one, on a chip as the store says itself. Or
    that on the card in an image."""
    from simfs.cli.imaging.of_card import is_card_image, mountable
    from simfs.files import Store
    from simfs.flash import NorFlash

    if is_card_image(file, start):
        if part:
            raise Refused(f"--part {part}: it is for flash, and {file} is the image of a card; leave it out")
        return mountable(file, _scenario(device) if device else None, read_only)
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
        scenario = _scenario(device)
        if scenario.store.kind == "card":
            raise Refused(f"--device {device}: its store is on a card, and the image is one of flash; name another")
        return scenario.chip.datasheet()
    if part and part not in PARTS:
        near = did_you_mean(part, PARTS)
        raise Refused(f"--part {part}: there is no such part in the catalogue; {near}known are {', '.join(PARTS)}")
    return PARTS[part] if part else None
