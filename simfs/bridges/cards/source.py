"""A card's image in a file, recognised by its first sector. The file is read, and never written."""

from __future__ import annotations

import mmap
import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

from simfs.bridges.images.source import BadImage
from simfs.fat.card.card import Backing, Card
from simfs.fat.card.sheet import SECTOR_BYTES, CardSheet
from simfs.fat.checking.check import Found, Survey, survey
from simfs.fat.format.layout import looks_like_a_volume
from simfs.files.card_store import CardConfig, CardStore

READ_WHOLE_BYTES = 1 << 24  # a larger file is mapped, and only what is asked for is read
AT_A_DESK = CardConfig(name_bytes=4096, open_files_max=1000)
"""Where no firmware's limits hold: the longest path of directories in directories."""

HURTS = ("chain", "size")  # faults of a file of which not every byte is what it was

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class FileOnCard:
    """A file, and what is wrong with it; "" for nothing."""

    name: str
    size_bytes: int
    why_hurt: str
    found: Found


@dataclass(frozen=True)
class CardImage:
    """A card from a file, with all that a check sees of it."""

    path: str
    seen: Survey

    @cached_property
    def store(self) -> CardStore:
        """Its files, to read only."""
        return CardStore.mount(self.seen.card, AT_A_DESK, read_only=True)

    @cached_property
    def files(self) -> tuple[FileOnCard, ...]:
        """By name."""
        hurt = {fault.where: fault.what for fault in self.seen.faults if fault.kind in HURTS}
        files = (found for found in self.seen.found if not found.entry.short.is_directory)
        listed = (FileOnCard(one.path, one.entry.short.size, hurt.get(one.path, ""), one) for one in files)
        return tuple(sorted(listed, key=lambda file: file.name))

    @property
    def problems(self) -> tuple[str, ...]:
        """What a check finds, a line each."""
        return tuple(map(str, self.seen.faults))

    def contents(self, file: FileOnCard) -> bytes:
        """All bytes of a file, by its own entry. BadVolume."""
        volume = self.store.volume
        opened = volume.open(file.found.entry)
        try:
            return volume.bytes.read(opened, 0, file.size_bytes)
        finally:
            volume.close(opened)


def is_card(path: str) -> bool:
    """Whether a file begins as a card does. OSError."""
    with open(path, "rb") as file:
        return looks_like_a_volume(file.read(SECTOR_BYTES))


def card_in(path: str, sheet: CardSheet | None = None) -> Card:
    """A card with the bytes of a file, which stays as it is. OSError."""
    with open(path, "rb") as file:
        small = os.fstat(file.fileno()).st_size <= READ_WHOLE_BYTES
        backing: Backing = file.read() if small else mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    return Card.from_image(backing, sheet)


def read_card(path: str) -> CardImage:
    """The card in a file, looked at as a whole. BadImage where there is no volume that can be read; OSError."""
    try:
        return CardImage(path, survey(card_in(path)))
    except OSError as error:
        if error.filename is not None:  # the host's
            raise
        raise BadImage(f"{path}: {error.strerror}") from None


def store_on(
    path: str, config: CardConfig = AT_A_DESK, sheet: CardSheet | None = None, *, read_only: bool
) -> CardStore:
    """The store on the card in a file, which stays as it is. BadImage, OSError."""
    card = card_in(path, sheet)
    try:
        return CardStore.mount(card, config, read_only)
    except OSError as error:
        raise BadImage(f"{path}: {error.strerror}") from None
