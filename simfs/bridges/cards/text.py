"""What a card's image holds and what is wrong with it, in lines for people. Names are as hostile as the image."""

from __future__ import annotations

from simfs.bridges.cards.report import CardListing, listing_of, volume_of
from simfs.bridges.cards.source import CardImage
from simfs.bridges.images.text import DAMAGE_SHOWN, FILES_SHOWN, table_of
from simfs.bridges.images.words import NAME_SIGNS
from simfs.files.card_store import CardStore
from simfs.show.units import counted, plain, size


def file_list(listing: CardListing) -> str:
    """Every file with its size."""
    rows = [(f"{file.size_bytes:,}", plain(file.name, 200)) for file in listing.files]
    folders = counted(len(listing.directories), "directory", "directories")
    room = (
        f"{counted(len(rows), 'file')} of {size(listing.file_bytes)} in {folders} besides the root; in whole clusters "
        f"{size(listing.in_use_bytes)} of the {size(listing.capacity_bytes)} that fit"
    )
    return "\n\n".join([*table_of(("bytes", "name"), ("right", "left"), rows), room])


def verdict(image: CardImage) -> str:
    """The verdict, then what is wrong, and the files: all of a sound card, else those that are hurt."""
    lines = [_verdict_on(image), *_problems(image)]
    if not image.problems:
        return "\n\n".join([lines[0], file_list(listing_of(image))])
    lines += [f"hurt: {plain(file.name, NAME_SIGNS)}: {file.why_hurt}" for file in image.files if file.why_hurt]
    return "\n".join(lines)


def explanation(image: CardImage) -> str:
    """The whole explanation; the verdict stands second."""
    layout, card = image.seen.layout, image.seen.card
    table = counted(layout.table_sectors, "sector")
    starts = " and ".join(f"{start:,}" for start in layout.table_starts)
    root = (
        f"a chain from cluster {layout.root_cluster:,}"
        if layout.root_cluster
        else f"{counted(layout.root_sectors, 'sector')} from {layout.root_start:,}"
    )
    lines = [
        f"{plain(image.path, 200)}: a card of {counted(card.sector_count, 'sector')}, with a {volume_of(image)} volume "
        f"from sector {layout.start:,} on",
        _verdict_on(image),
        f"table: {table}, from sector {starts} on; root: {root}",
        f"clusters: {layout.cluster_count:,} of {layout.cluster_bytes:,} bytes, from sector {layout.data_start:,} on",
        *_problems(image),
    ]
    return "\n\n".join(["\n".join(lines), *_files(image)])


def built(store: CardStore, target: str) -> str:
    """What an image that was built holds, and how full it is."""
    use = store.usage()
    files, folders = len(store.names()), len(store.directories())
    return (
        f"{plain(target, 200)}: a card of {size(store.medium.size_bytes)} with a {store.settings['volume']} volume, "
        f"{counted(files, 'file')} and {counted(folders, 'directory', 'directories')}\n"
        f"{size(use.live_bytes)} of the {size(use.capacity_bytes)} that fit are in use, in whole clusters"
    )


def mended(done: list[str]) -> str:
    """What was put right before an extraction; "" for nothing."""
    return "\n".join(
        ["for that, a copy of the card was mended:", *(f"  {plain(line, 200)}" for line in done)] * bool(done)
    )


def _verdict_on(image: CardImage) -> str:
    if not image.problems:
        return f"sound: a check finds nothing; {counted(len(image.files), 'file')}"
    hurt = sum(bool(file.why_hurt) for file in image.files)
    places = counted(len(image.problems), "place")
    return f"damaged in {places}; {counted(len(image.files), 'file')}: {len(image.files) - hurt:,} whole, {hurt:,} hurt"


def _problems(image: CardImage) -> list[str]:
    lines = [f"damaged: {plain(problem, 300)}" for problem in image.problems[:DAMAGE_SHOWN]]
    more = len(image.problems) - DAMAGE_SHOWN
    return [*lines, f"{counted(more, 'damage')} more"] if more > 0 else lines


def _files(image: CardImage) -> list[str]:
    hurt = [file for file in image.files if file.why_hurt]
    shown = [*hurt, *[file for file in image.files if not file.why_hurt][: max(FILES_SHOWN - len(hurt), 0)]]
    rows = [(plain(file.name, NAME_SIGNS), f"{file.size_bytes:,}", file.why_hurt or "whole") for file in shown]
    if len(image.files) > len(rows):
        rows.append((f"({len(image.files) - len(rows):,} more)", "", "whole"))
    return table_of(("file", "bytes", "what is left"), ("left", "right", "left"), rows)
