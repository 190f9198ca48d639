"""`simfs image`: builds, reads and extracts images. Only the image that it builds is ever written to."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import UNMET, Commands, Damaged, Refused, print_report, write_out
from simfs.cli.imaging import of_card
from simfs.cli.inputs import check_source, described_store
from simfs.cli.outputs import check_target
from simfs.cli.progress import Progress, progress_bar, shown

if TYPE_CHECKING:
    from simfs.bridges.images.explained import Explained
    from simfs.bridges.images.source import Image
    from simfs.files import Store
    from simfs.files.contract import AnyStore

START = click.option(
    "--start", metavar="ADDRESS", help="Where the store begins in a dump, such as 3MiB or 0x300000, if it has several."
)

AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


@click.group(cls=Commands, epilog="Example: simfs image build files unit.bin")
def image() -> None:
    """Build a store's image, or look into one.

    IMAGE is the store's bytes, a dump of the whole chip, Intel HEX or
    S-records, or the bytes of a card with a FAT volume. It is never written
    to. All places are addresses in it; the end of a range is the first byte
    behind it. Of a card, places are sectors. The exit status is 0, 1 on damage
    or when extract leaves something out, or 2 on bad input; explain ends with
    0 on damage too, since it has explained it.
    """


@image.command(epilog="Example: simfs image build files unit.bin --part W25Q32JV --size 1MiB")
@click.argument("directory")
@click.argument("target", metavar="IMAGE")
@click.option("--device", metavar="SCENARIO", help="Take chip and store from a scenario.")
@click.option("--part", metavar="NAME", help="The chip; `simfs parts` lists them.")
@click.option("--size", metavar="SIZE", help="The store's size on the chip, such as 1MiB.")
@click.option("--prefix", default="/", show_default=True, help="What is put before each path to make the name.")
def build(directory: str, target: str, device: str | None, part: str | None, size: str | None, prefix: str) -> None:
    """Write a store of all files below DIRECTORY into IMAGE.

    IMAGE is exactly the store's bytes, and the same for the same files. With
    --device of a scenario on a card, it is the card with a FAT volume.
    Whatever is wrong with the names is reported before anything is written.
    """
    from simfs.bridges.images.build import BadDirectory
    from simfs.files.images import TooLarge, image_of
    from simfs.show.save import write_whole

    fresh = described_store(device, part, size)
    if not directory:
        raise Refused("DIRECTORY: the name is empty; give a directory of files")
    check_target(target, "IMAGE", directory)
    inside = os.path.realpath(directory) + os.sep
    if os.path.realpath(target).startswith(inside):
        raise Refused(f"{target}: it would lie in the directory that it is made of; name another place")
    try:
        with progress_bar(f"building {shown(target)}") as progress:
            store, report = _built(fresh, directory, target, prefix, progress)
    except BadDirectory as error:
        raise Refused(*error.faults) from None
    except OSError as error:
        raise Refused(f"{error.filename or directory}: {error.strerror}; give a directory of files") from None
    try:
        write_whole(target, image_of(store))
    except (OSError, TooLarge) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise Refused(f"{target}: {why}; no image was written") from None
    print_report(report)


def _built(
    fresh: AnyStore, directory: str, target: str, prefix: str, progress: Progress | None
) -> tuple[AnyStore, str]:
    """The store with all files, and what to say of it."""
    from simfs.bridges.cards.build import fill_card
    from simfs.bridges.cards.text import built as card_built
    from simfs.bridges.images.build import build_image
    from simfs.bridges.images.text import built
    from simfs.files.card_store import card_of
    from simfs.files.store import the_log

    on_card = card_of(fresh)
    if on_card is not None:
        fill_card(on_card, directory, prefix, progress)
        return on_card, card_built(on_card, target)
    log = the_log(fresh)
    flash = log.flash
    store, empty = build_image(directory, flash.datasheet, flash.geometry.block_count, log.config, prefix, progress)
    return store, built(store, target, empty)


@image.command("list", epilog="Example: simfs image list unit.bin")
@click.argument("source", metavar="IMAGE")
@START
@AS_JSON
def list_files(source: str, start: str | None, as_json: bool) -> None:
    """List the files in IMAGE with their sizes."""
    from simfs.bridges.images.report import listing_of
    from simfs.bridges.images.text import file_list

    if card := of_card.card_in(source, start):
        of_card.list_files(card, as_json)
        return
    found = _explained(source, start)
    store = _store_of(found)
    print_report(_object(listing_of(store, source)) if as_json else file_list(store))
    if found.damaged:
        raise Damaged(f"{source}: it is damaged; `simfs image verify` says which files are hurt")


@image.command(epilog="Example: simfs image read unit.bin /settings.txt")
@click.argument("source", metavar="IMAGE")
@click.argument("name")
@START
def read(source: str, name: str, start: str | None) -> None:
    """Write the file NAME in IMAGE to standard output."""
    from simfs.bridges.images.words import state_of
    from simfs.replay.scenario.near_words import did_you_mean
    from simfs.store.format.errors import CorruptStore

    if card := of_card.card_in(source, start):
        of_card.read(card, name)
        return
    found = _explained(source, start)
    store, why = _store_of(found), ""
    try:
        if left := found.hurt_or_doubtful(name):
            why = f"{source}: {name}: {state_of(left)}"
        with store.open(name) as file:
            while piece := file.read(1 << 16):
                write_out(piece)
    except CorruptStore as error:
        raise Damaged(f"{why or error.strerror}; `simfs image extract --damaged` gives the rest") from None
    except OSError as error:
        if not why:
            near = did_you_mean(name, store.names())
            what = f"{near}`simfs image list` shows what is in it"
            raise Refused(f"{source}: {name}: {error.strerror}; {what}") from None
    except ValueError as error:
        raise Refused(f"{source}: {error}") from None
    if why:
        raise Damaged(why)


@image.command(epilog="Example: simfs image extract unit.bin files")
@click.argument("source", metavar="IMAGE")
@click.argument("directory")
@click.option("--damaged", is_flag=True, help="Take what is left of damaged files too, and images that lack bytes.")
@START
def extract(source: str, directory: str, damaged: bool, start: str | None) -> None:
    """Put all files in IMAGE into DIRECTORY, which is new or empty.

    All go right into it: /log/a.csv becomes log+a.csv, and what could mean
    something to a host is written as %XX, the codes of its bytes. The report
    lists which is which. The exit status is 1 if a file was left out, lacks
    bytes, or may be older than it was, and wherever else the image is damaged.
    """
    from simfs.bridges.images import extract as images_extract

    card = of_card.card_in(source, start)
    try:
        if card:
            of_card.extract(card, directory, damaged)
        else:
            _extract(source, start, directory, damaged)
    except images_extract.BadDestination as error:
        raise Refused(error) from None
    except images_extract.EndedEarly as error:
        ended = f"{directory}: {error.strerror}; extraction ended there, and "
        if error.left:
            raise Refused(f"{ended}these could not be taken back: {', '.join(error.left)}") from None
        raise Refused(f"{ended}what it had written is taken back") from None
    except OSError as error:
        raise Refused(f"{error.filename or directory}: {error.strerror}; give a new name for a directory") from None


def _extract(source: str, start: str | None, directory: str, damaged: bool) -> None:
    from simfs.bridges.images.extract import extract as images_extract
    from simfs.bridges.images.text import ASK_FOR_MORE, extracted

    found = _explained(source, start, whole=not damaged)
    _store_of(found)
    with progress_bar(f"extracting {shown(source)}") as progress:
        done = images_extract(found, directory, damaged=damaged, progress=progress)
    print_report(extracted(done, directory, "" if damaged else ASK_FOR_MORE, marred=found.damaged))
    if done.refused or found.damaged:
        sys.exit(UNMET)


@image.command(epilog="Example: simfs image verify unit.bin")
@click.argument("source", metavar="IMAGE")
@START
@AS_JSON
def verify(source: str, start: str | None, as_json: bool) -> None:
    """Mount IMAGE read-only and read every byte of every file."""
    from simfs.bridges.images.report import verified
    from simfs.bridges.images.text import verdict

    if card := of_card.card_in(source, start):
        of_card.verify(card, as_json)
        return
    found = _explained(source, start)
    print_report(_object(verified(found)) if as_json else verdict(found))
    if found.damaged:
        sys.exit(UNMET)


@image.command(epilog="Example: simfs image explain unit.bin")
@click.argument("source", metavar="IMAGE")
@click.option("--block", type=click.IntRange(0), metavar="N", help="Show everything in this erase block.")
@START
@AS_JSON
def explain(source: str, block: int | None, start: str | None, as_json: bool) -> None:
    """Show what is left in IMAGE: what is damaged, files, what can be saved.

    The image need not mount, and may lack bytes.
    """
    from simfs.bridges.images.report import explanation_of
    from simfs.bridges.images.text import as_text

    if card := of_card.card_in(source, start):
        of_card.explain(card, block, as_json)
        return
    if block is None:
        explained = _explained(source, start, whole=False)
        print_report(_object(explanation_of(explained)) if as_json else as_text(explained))
        return
    found = read_source(source, start, whole=False)
    if as_json:
        raise Refused(f"--block {block}: --json has all blocks at once; leave one of the two out")
    if block >= found.settings.block_count:
        raise Refused(f"--block {block}: the store has blocks 0 to {found.settings.block_count - 1}")
    from simfs.bridges.images.text import block_in_words

    print_report(block_in_words(found, block))


def _object(report: object) -> str:
    from simfs.show.json import object_of

    return object_of(report, note="")


def read_source(source: str, start: str | None, *, whole: bool = True) -> Image:
    """The store in an image; `start` is what --start says."""
    from simfs.bridges.images.source import BadImage, read_image

    check_source(source, "give an image of a store")
    try:
        address = None if start is None else _address(start)
        with progress_bar(f"reading {shown(source)}"):
            return read_image(source, address, whole=whole)
    except BadImage as error:
        raise Refused(error) from None
    except OSError as error:
        raise Refused(f"{source}: {error.strerror}") from None


def _explained(source: str, start: str | None, *, whole: bool = True) -> Explained:
    from simfs.bridges.images.explained import explain

    read = read_source(source, start, whole=whole)
    with progress_bar(f"checking {shown(source)}") as progress:
        return explain(read, progress)


def _store_of(found: Explained) -> Store:
    if found.store is None:
        from simfs.bridges.images.words import CAN_NOT_MOUNT

        raise Damaged(
            f"{found.image.path}: {CAN_NOT_MOUNT}: {found.refusal}; `simfs image explain --block N` shows a block"
        )
    return found.store


def _address(text: str) -> int:
    from simfs.replay.scenario.quantities import parse_size

    try:
        return parse_size(text)
    except ValueError as error:
        raise Refused(f"--start {text}: {error}") from None
