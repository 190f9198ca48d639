"""`simfs image` on the image of a card."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from simfs.cli.exits import FAULT_SIGNS_MAX, UNMET, Damaged, Refused, print_report, write_out
from simfs.cli.inputs import check_source
from simfs.cli.progress import progress_bar, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from simfs.bridges.cards.source import CardImage
    from simfs.files.card_store import CardStore
    from simfs.replay.scenario.tables import Scenario

ASK_FOR_MORE = " (--damaged mends a copy, and takes what is left of them)"


def is_card_image(source: str, start: str | None) -> bool:
    """Whether the file is the image of a card, by its first sector. Refused where it can't be read, or with --start."""
    from simfs.bridges.cards.source import is_card

    check_source(source, "give an image of a store")
    try:
        if not is_card(source):
            return False
    except OSError as error:
        raise Refused(f"{source}: {error.strerror}") from None
    if start is not None:
        raise Refused(f"--start {start}: it is for dumps of flash, and {source} is the image of a card; leave it out")
    return True


def card_in(source: str, start: str | None) -> CardImage | None:
    """The card in a file; None where it is the image of something else."""
    from simfs.bridges.cards.source import read_card
    from simfs.bridges.images.source import BadImage

    if not is_card_image(source, start):
        return None
    try:
        with progress_bar(f"checking {shown(source)}"):
            return read_card(source)
    except BadImage as error:
        raise Refused(error) from None
    except OSError as error:
        raise Refused(f"{source}: {error.strerror}") from None


def list_files(image: CardImage, as_json: bool) -> None:
    """`simfs image list`."""
    from simfs.bridges.cards.report import listing_of
    from simfs.bridges.cards.text import file_list

    listing = listing_of(image)
    print_report(_object(listing) if as_json else file_list(listing))
    if image.problems:
        raise Damaged(f"{image.path}: it is damaged; `simfs image verify` says where")


def read(image: CardImage, name: str) -> None:
    """`simfs image read`. What can be read of a damaged file comes first."""
    from simfs.replay.scenario.near_words import did_you_mean

    store, path = image.store, image.path
    try:
        full = store.full_name(name) or name
        why = next((file.why_hurt for file in image.files if file.name == full), "")
        for piece in _pieces(store, name):
            write_out(piece)
    except OSError as error:
        if error.filename is None:  # of the volume, not of the name
            raise Damaged(f"{path}: {name}: {error.strerror}; `simfs image extract --damaged` gives the rest") from None
        near = did_you_mean(name, store.names())
        what = f"{near}`simfs image list` shows what is in it"
        raise Refused(f"{path}: {name}: {error.strerror}; {what}") from None
    except ValueError as error:
        raise Refused(f"{path}: {error}") from None
    if why:
        raise Damaged(f"{path}: {name}: {why}")


def _pieces(store: CardStore, name: str) -> Iterator[bytes]:
    with store.open(name) as file:
        while piece := file.read(1 << 16):
            yield piece


def extract(image: CardImage, directory: str, damaged: bool) -> None:
    """`simfs image extract`. OSError, BadDestination."""
    from simfs.bridges.cards import extract as cards_extract
    from simfs.bridges.cards.text import mended
    from simfs.bridges.images.text import extracted

    with progress_bar(f"extracting {shown(image.path)}") as progress:
        done, mending = cards_extract.extract(image, directory, damaged=damaged, progress=progress)
    report = extracted(done, directory, "" if damaged else ASK_FOR_MORE, marred=bool(image.problems))
    print_report("\n".join(part for part in (report, mended(mending)) if part))
    if done.refused or image.problems:
        sys.exit(UNMET)


def verify(image: CardImage, as_json: bool) -> None:
    """`simfs image verify`."""
    from simfs.bridges.cards.report import verified
    from simfs.bridges.cards.text import verdict

    print_report(_object(verified(image)) if as_json else verdict(image))
    if image.problems:
        sys.exit(UNMET)


def explain(image: CardImage, block: int | None, as_json: bool) -> None:
    """`simfs image explain`."""
    from simfs.bridges.cards.report import explanation_of
    from simfs.bridges.cards.text import explanation

    if block is not None:
        raise Refused(f"--block {block}: it is for a store on flash, and {image.path} is the image of a card")
    print_report(_object(explanation_of(image)) if as_json else explanation(image))


def mountable(source: str, device: Scenario | None, read_only: bool) -> CardStore:
    """The store on the card in a file, for `simfs mount`; with the card and the limits of `device`. Damage is told on
    standard error; refused is what can't be listed."""
    from simfs.bridges.cards.source import AT_A_DESK, read_card, store_on
    from simfs.bridges.images.source import BadImage
    from simfs.files.card_store import CardConfig
    from simfs.show.units import plain

    config, sheet = AT_A_DESK, None
    if device is not None:
        if device.store.kind != "card":
            raise Refused(f"--device: its store is on flash, and {source} is the image of a card; name another")
        own = device.store
        config, sheet = CardConfig(own.name_bytes, own.overlong, own.open_files_max), device.card.sheet()
    try:
        image = read_card(source)
        store = store_on(source, config, sheet, read_only=read_only)
        store.names()
    except BadImage as error:
        raise Refused(error) from None
    except OSError as error:
        raise Refused(f"{source}: {error.strerror}") from None
    if image.problems:
        first = plain(image.problems[0], FAULT_SIGNS_MAX)
        more = f" and {len(image.problems) - 1:,} more" if len(image.problems) > 1 else ""
        print(f"warning: {source}: it is damaged: {first}{more}; `simfs image verify` says all", file=sys.stderr)
    return store


def _object(report: object) -> str:
    from simfs.show.json import object_of

    return object_of(report, note="")
