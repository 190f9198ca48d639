"""Files out of a card's image onto the host, in the same way as those of a store on flash."""

from __future__ import annotations

import errno
import os
from functools import partial

from simfs.bridges.cards.source import CardImage, FileOnCard, Progress
from simfs.bridges.images.extract import Extraction, write_files
from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.checking.check import survey
from simfs.fat.checking.mend import mend


def extract(
    image: CardImage, directory: str | os.PathLike[str], *, damaged: bool = False, progress: Progress | None = None
) -> tuple[Extraction, list[str]]:
    """Put all files into a new or empty directory; and what was mended for that, a line each. A file of which not every
    byte can be read for what it was is left out; or, with `damaged`, a copy of the card is mended first, what is left
    of such a file goes out under a name that ends with `+damaged`, and clusters that belonged to no file as files of
    their own. BadDestination, OSError; EndedEarly where the host ended it."""
    hurt = {file.name for file in image.files if file.why_hurt}
    done: list[str] = []
    if damaged and image.problems:
        copy = image.seen.card.copy()
        done = mend(copy)
        image = CardImage(image.path, survey(copy))
    left = [(file.name, _size_bytes(file), partial(_contents, image, file)) for file in image.files]
    size_bytes = image.seen.card.sector_count * SECTOR_BYTES
    marked = hurt if damaged else set[str]()
    return write_files(left, directory, size_bytes, marked, progress), done


def _size_bytes(file: FileOnCard) -> int:
    return 0 if file.why_hurt else file.size_bytes


def _contents(image: CardImage, file: FileOnCard) -> bytes:
    if file.why_hurt:
        raise OSError(errno.EIO, file.why_hurt)
    return image.contents(file)
