"""What a store's image holds and what is wrong with it, as plain records. Places are addresses of the image, as in the
file it was read from; the end of a range is the first byte behind it. In names that are not UTF-8, the bytes are
surrogates."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.bridges.images.explained import Explained, FileLeft, Stretch
from simfs.bridges.images.words import damage_in_words
from simfs.files import Store
from simfs.store.log.state import Damage, Doubt


@dataclass(frozen=True, slots=True)
class FileListed:
    """A file of a store that mounts."""

    name: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Listing:
    """All files. Live: what they cost with their names and headers; capacity: the most that live can be."""

    image: str
    files: tuple[FileListed, ...]
    file_bytes: int
    live_bytes: int
    capacity_bytes: int


@dataclass(frozen=True, slots=True)
class Verified:
    """Whether every byte could be read, and nothing is missing. `problems` says in words what `damages` says. There is
    no listing if the store does not mount. `doubts`: what a power cut may have left, or damage to what was written
    last."""

    image: str
    sound: bool
    problems: tuple[str, ...]
    damages: tuple[Damage, ...]
    doubts: tuple[Doubt, ...]
    listing: Listing | None


@dataclass(frozen=True, slots=True)
class BlockExplained:
    """One erase block, which begins at `begin`; its states are those of `simfs.store.usage.BlockView`. `erase_count` is
    what the store has counted, since it was formatted; 0 also where its records can't be read."""

    number: int
    begin: int
    state: str
    erase_count: int
    live_bytes: int


@dataclass(frozen=True, slots=True)
class Explanation:
    """What is left of a store, which begins at `address`. `missing`: what the image's file does not have of it."""

    image: str
    address: int
    block_bytes: int
    mounts: bool
    why_not: str
    damaged: bool
    may_be_older: bool  # some file
    damages: tuple[Damage, ...]
    doubts: tuple[Doubt, ...]
    missing: tuple[Stretch, ...]
    blocks: tuple[BlockExplained, ...]
    files: tuple[FileLeft, ...]


def listing_of(store: Store, path: str) -> Listing:
    """Every file of a store that was read from `path`."""
    files = tuple(FileListed(name, store.stat(name).size_bytes) for name in store.names())
    use = store.usage()
    return Listing(path, files, sum(file.size_bytes for file in files), use.live_bytes, use.capacity_bytes)


def verified(found: Explained) -> Verified:
    """The verdict."""
    path, store = found.image.path, found.store
    listing = None if store is None else listing_of(store, path)
    problems = tuple(map(damage_in_words, found.damages))
    return Verified(path, not found.damaged, problems, found.damages, found.doubts, listing)


def explanation_of(found: Explained) -> Explanation:
    """All that was found out."""
    image = found.image
    missing = tuple((begin + image.address, end + image.address) for begin, end in image.missing)
    older = any(file.maybe for file in found.files)
    return Explanation(
        image=image.path, address=image.address, block_bytes=image.settings.block_bytes, mounts=found.store is not None,
        why_not=found.refusal, damaged=found.damaged, may_be_older=older, damages=found.damages, doubts=found.doubts,
        missing=missing, blocks=_blocks(found), files=found.files,
    )  # fmt: skip


def _blocks(found: Explained) -> tuple[BlockExplained, ...]:
    image, size = found.image, found.image.settings.block_bytes
    views = () if found.store is None else found.store.blocks()
    return tuple(
        BlockExplained(view.number, image.address + view.number * size, view.state, view.erase_count, view.live_bytes)
        for view in views
    )
