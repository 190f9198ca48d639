"""`simfs image`: builds, reads and extracts images. Only the image that it builds is ever written to."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import UNMET, Refused, print_report
from simfs.cli.inputs import check_source, described_store

if TYPE_CHECKING:
    from simfs.bridges.images.source import Image
    from simfs.files import Store

START = click.option(
    "--start", metavar="ADDRESS", help="Where the store begins in a dump, such as 3MiB or 0x300000, if it has several."
)

AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


@click.group()
def image() -> None:
    """Build a store's image, or look into one.

    IMAGE is the store's bytes, a dump of the whole chip, Intel HEX or
    S-records. It is never written to. All places are addresses in it; the end
    of a range is the first byte behind it. The exit status is 0, 1 when verify
    finds damage or extract can't give every byte, or 2 on bad input.
    """


@image.command()
@click.argument("directory")
@click.argument("target", metavar="IMAGE")
@click.option("--device", metavar="SCENARIO", help="Take chip and store from a scenario.")
@click.option("--part", metavar="NAME", help="The chip; `simfs parts` lists them.")
@click.option("--size", metavar="SIZE", help="The store's size on the chip, such as 1MiB.")
@click.option("--prefix", default="/", show_default=True, help="What is put before each path to make the name.")
def build(directory: str, target: str, device: str | None, part: str | None, size: str | None, prefix: str) -> None:
    """Write a store of all files below DIRECTORY into IMAGE.

    IMAGE is exactly the store's bytes, and the same for the same files.
    Whatever is wrong with the names is reported before anything is written.
    """
    from simfs.bridges.images.build import BadDirectory, build_image
    from simfs.bridges.images.text import built
    from simfs.files.store import the_log
    from simfs.show.save import write_whole

    fresh = the_log(described_store(device, part, size))
    inside = os.path.realpath(directory) + os.sep
    if os.path.realpath(target).startswith(inside):
        raise Refused(f"{target}: it would lie in the directory that it is made of; name another place")
    try:
        flash = fresh.flash
        store, empty = build_image(directory, flash.datasheet, flash.geometry.block_count, fresh.config, prefix)
    except BadDirectory as error:
        raise Refused(*error.faults) from None
    except OSError as error:
        raise Refused(f"{error.filename or directory}: {error.strerror}; give a directory of files") from None
    try:
        write_whole(target, store.flash.image())
    except OSError as error:
        raise Refused(f"{target}: {error.strerror}; no image was written") from None
    print_report(built(store, target, empty))


@image.command("list")
@click.argument("source", metavar="IMAGE")
@START
@AS_JSON
def list_files(source: str, start: str | None, as_json: bool) -> None:
    """List the files in IMAGE with their sizes."""
    from simfs.bridges.images.report import listing_of
    from simfs.bridges.images.text import file_list

    store = _mounted(source, start)
    print_report(_object(listing_of(store, source)) if as_json else file_list(store))


@image.command()
@click.argument("source", metavar="IMAGE")
@click.argument("name")
@START
def read(source: str, name: str, start: str | None) -> None:
    """Write the file NAME in IMAGE to standard output."""
    store = _mounted(source, start)
    try:
        with store.open(name) as file:
            while piece := file.read(1 << 16):
                sys.stdout.buffer.write(piece)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        raise Refused(f"{source}: {name}: {error.strerror}; `simfs image list` shows what is in it") from None
    except ValueError as error:
        raise Refused(f"{source}: {error}") from None


@image.command()
@click.argument("source", metavar="IMAGE")
@click.argument("directory")
@click.option("--damaged", is_flag=True, help="Take what is left, even if the store can't be mounted.")
@START
def extract(source: str, directory: str, damaged: bool, start: str | None) -> None:
    """Put all files in IMAGE into DIRECTORY, which is new or empty.

    All go right into it: /log/a.csv becomes log+a.csv. Names that could mean
    something to the host are left out and listed. The exit status is 1 if a
    file was left out or lacks bytes.
    """
    from simfs.bridges.images import extract as images_extract
    from simfs.bridges.images.text import ASK_FOR_MORE, extracted

    try:
        if damaged:
            from simfs.bridges.images.text import explain as explained

            found = _read(source, start, whole=False)
            with _bad_image():
                left = explained(found)
            size = len(found.data)
            done = images_extract.save_left(left.files, directory, size, nameless=left.damaged)
        else:
            done = images_extract.extract(_mounted(source, start), directory)
    except images_extract.BadDestination as error:
        raise Refused(error) from None
    except OSError as error:
        raise Refused(f"{error.filename or directory}: {error.strerror}; extraction ended there") from None
    print_report(extracted(done, directory, "" if damaged else ASK_FOR_MORE))
    if not done.complete:
        sys.exit(UNMET)


@image.command()
@click.argument("source", metavar="IMAGE")
@START
@AS_JSON
def verify(source: str, start: str | None, as_json: bool) -> None:
    """Mount IMAGE read-only and read every byte of every file."""
    from simfs.bridges.images.report import verified
    from simfs.bridges.images.source import BadImage
    from simfs.bridges.images.text import file_list, in_words
    from simfs.show.units import plain

    found = _read(source, start)
    try:
        store = found.mount()
        problems = store.check()
    except BadImage as error:
        store, problems = None, [str(error)]
    report = verified(found, store, problems)
    if as_json:
        print_report(_object(report))
    elif problems or store is None:
        print_report("\n".join(f"damaged: {plain(problem, 1000)}" for problem in problems))
    else:
        print_report("\n".join([file_list(store), *map(in_words, report.doubts), "sound: every byte was read"]))
    if problems:
        sys.exit(UNMET)


@image.command()
@click.argument("source", metavar="IMAGE")
@click.option("--block", type=click.IntRange(0), metavar="N", help="Show everything in this erase block.")
@START
@AS_JSON
def explain(source: str, block: int | None, start: str | None, as_json: bool) -> None:
    """Show what is left in IMAGE: damaged frames, files, what can be saved.

    The image need not mount, and may lack bytes.
    """
    from simfs.bridges.images import text as images_text
    from simfs.bridges.images.report import explanation_of

    found = _read(source, start, whole=False)
    if block is None:
        with _bad_image():
            explained = images_text.explain(found)
        print_report(_object(explanation_of(explained)) if as_json else images_text.as_text(explained))
        return
    if as_json:
        raise Refused(f"--block {block}: --json has all blocks at once; leave one of the two out")
    if block >= found.record.block_count:
        raise Refused(f"--block {block}: the store has blocks 0 to {found.record.block_count - 1}")
    from simfs.store.format.dump import dump_block

    size = found.record.block_bytes
    print_report("\n".join(dump_block(found.data[block * size : (block + 1) * size])))


def _object(report: object) -> str:
    from simfs.show.json import object_of

    return object_of(report, note="")


@contextmanager
def _bad_image() -> Iterator[None]:
    from simfs.bridges.images.source import BadImage

    try:
        yield
    except BadImage as error:
        raise Refused(error) from None


def _read(source: str, start: str | None, *, whole: bool = True) -> Image:
    from simfs.bridges.images.source import read_image

    check_source(source, "give an image of a store")
    try:
        with _bad_image():
            return read_image(source, None if start is None else _address(start), whole=whole)
    except OSError as error:
        raise Refused(f"{source}: {error.strerror}") from None


def _mounted(source: str, start: str | None) -> Store:
    with _bad_image():
        return _read(source, start).mount()


def _address(text: str) -> int:
    from simfs.replay.scenario.quantities import parse_size

    try:
        return int(text, 16) if text.lower().startswith("0x") else parse_size(text)
    except ValueError as error:
        raise Refused(f"--start {text}: {error}; or write the address as 0x300000") from None
