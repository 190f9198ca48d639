"""What a store's image holds and what is wrong with it, as plain records. Places are addresses of the image, as in the
file it was read from; the end of a range is the first byte behind it. In names that are not UTF-8, the bytes are
surrogates."""

from __future__ import annotations

from dataclasses import dataclass, replace

from simfs.bridges.images.files import FileLeft
from simfs.bridges.images.salvage import BlockLeft, Left
from simfs.bridges.images.source import Image
from simfs.bridges.images.text import Explained
from simfs.files import Store
from simfs.store.format.codec import Kind
from simfs.store.log.state import Doubt

Stretch = tuple[int, int]


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
    """Whether every byte could be read. There is no listing if the store does not mount. `doubts`: what a power cut may
    have left, or damage to what was written last."""

    image: str
    sound: bool
    problems: tuple[str, ...]
    doubts: tuple[Doubt, ...]
    listing: Listing | None


@dataclass(frozen=True, slots=True)
class FrameLost:
    """What a damaged frame held, if something still says so: a piece of a file, or what was said about its name."""

    kind: str
    file_number: int
    offset: int
    size_bytes: int


@dataclass(frozen=True, slots=True)
class DamageExplained:
    """A `Damage`, from `begin` to `end`."""

    block: int
    begin: int
    end: int
    what: str
    told: bool
    harmless: bool


@dataclass(frozen=True, slots=True)
class BlockExplained:
    """One erase block; its states are those of `simfs.bridges.images.salvage`."""

    number: int
    state: str
    sound_frames: int
    damage: tuple[DamageExplained, ...]
    lost: tuple[FrameLost, ...]


@dataclass(frozen=True, slots=True)
class FileExplained:
    """What is left of a file. Its name is None if it is lost, as that of a removed file is."""

    number: int
    name: str | None
    size_bytes: int
    lost: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """What is left of a store, which begins at `address`. `may_be_older`: nothing says what stood in some of the
    damage, so any file may be older than it was. Files without a name are listed only where something is damaged."""

    image: str
    address: int
    block_bytes: int
    mounts: bool
    why_not: str
    damaged: bool
    may_be_older: bool
    missing: tuple[Stretch, ...]
    names_lost: int  # frames that named, renamed or removed a file
    blocks: tuple[BlockExplained, ...]
    files: tuple[FileExplained, ...]


def listing_of(store: Store, path: str) -> Listing:
    """Every file of a store that was read from `path`."""
    files = tuple(FileListed(name, store.stat(name).size_bytes) for name in store.names())
    use = store.usage()
    return Listing(path, files, sum(file.size_bytes for file in files), use.live_bytes, use.capacity_bytes)


def verified(image: Image, store: Store | None, problems: list[str]) -> Verified:
    """What a mount and a check of an image found; no store if it does not mount."""
    doubts = () if store is None else tuple(moved(doubt, image.address) for doubt in store.doubts)
    listing = None if store is None else listing_of(store, image.path)
    return Verified(image.path, not problems, tuple(problems), doubts, listing)


def moved(doubt: Doubt, address: int) -> Doubt:
    """A doubt with its place in the image, in which the store begins at `address`."""
    return replace(doubt, address=doubt.address + address)


def explanation_of(found: Explained) -> Explanation:
    """All that was found out."""
    image, files = found.image, found.files
    left = [*files.named, *(files.nameless if found.damaged else ())]
    return Explanation(
        image=image.path, address=image.address, block_bytes=image.record.block_bytes, mounts=not found.refusal,
        why_not=found.refusal, damaged=found.damaged, may_be_older=found.untold,
        missing=tuple((begin + image.address, end + image.address) for begin, end in image.missing),
        names_lost=files.claims_lost, blocks=tuple(_block(block, image.address) for block in found.blocks),
        files=tuple(map(_file, left)),
    )  # fmt: skip


def _block(block: BlockLeft, address: int) -> BlockExplained:
    damage = tuple(
        DamageExplained(hurt.block, address + hurt.start, address + hurt.end, hurt.what, hurt.told, hurt.harmless)
        for hurt in block.damage
    )
    return BlockExplained(block.number, block.state, len(block.frames), damage, tuple(map(_frame, block.lost)))


def _frame(lost: Left) -> FrameLost:
    return FrameLost(Kind(lost.kind).name, lost.file, lost.offset, lost.length)


def _file(file: FileLeft) -> FileExplained:
    return FileExplained(file.number, file.name, file.size_bytes, tuple(file.lost()))
