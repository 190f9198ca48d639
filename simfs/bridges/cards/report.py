"""What a card's image holds and what is wrong with it, as plain records."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.bridges.cards.source import CardImage
from simfs.bridges.images.report import FileListed


@dataclass(frozen=True, slots=True)
class CardListing:
    """All files, and the directories that they are in. In use: whole clusters."""

    image: str
    volume: str
    files: tuple[FileListed, ...]
    directories: tuple[str, ...]
    file_bytes: int
    in_use_bytes: int
    capacity_bytes: int


@dataclass(frozen=True, slots=True)
class HurtFile:
    """A file of which not every byte can be read for what it was."""

    name: str
    why: str


@dataclass(frozen=True, slots=True)
class CardVerified:
    """Whether a check finds nothing. `problems` is what it finds, a line each."""

    image: str
    sound: bool
    problems: tuple[str, ...]
    hurt: tuple[HurtFile, ...]
    listing: CardListing


@dataclass(frozen=True, slots=True)
class CardExplained:
    """Where the parts of the volume lie, in sectors of the card, and all that was found."""

    verified: CardVerified
    sectors: int
    volume_start: int
    table_starts: tuple[int, ...]
    table_sectors: int
    data_start: int
    cluster_bytes: int
    clusters: int


def volume_of(image: CardImage) -> str:
    """The type of its volume."""
    return f"FAT{image.seen.layout.bits}"


def listing_of(image: CardImage) -> CardListing:
    """Every file."""
    layout = image.seen.layout
    taken = sum(1 for entry in image.seen.table[2:] if entry)
    files = tuple(FileListed(file.name, file.size_bytes) for file in image.files)
    folders = sorted(found.path for found in image.seen.found if found.entry.short.is_directory)
    return CardListing(
        image.path, volume_of(image), files, tuple(folders), sum(file.size_bytes for file in files),
        taken * layout.cluster_bytes, layout.cluster_count * layout.cluster_bytes,
    )  # fmt: skip


def verified(image: CardImage) -> CardVerified:
    """The verdict."""
    hurt = tuple(HurtFile(file.name, file.why_hurt) for file in image.files if file.why_hurt)
    return CardVerified(image.path, not image.problems, image.problems, hurt, listing_of(image))


def explanation_of(image: CardImage) -> CardExplained:
    """All that was found out."""
    layout = image.seen.layout
    return CardExplained(
        verified(image), image.seen.card.sector_count, layout.start, layout.table_starts, layout.table_sectors,
        layout.data_start, layout.cluster_bytes, layout.cluster_count,
    )  # fmt: skip
