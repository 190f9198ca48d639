"""What a store's image holds and what is wrong with it, as plain records. Places are ranges of bytes of the store. In
names that are not UTF-8, the bytes are surrogates."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.bridges.images.files import FileLeft
from simfs.bridges.images.salvage import BlockLeft, Damage, Left
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
class BlockExplained:
    """One erase block; its states are those of `simfs.bridges.images.salvage`."""

    number: int
    state: str
    sound_frames: int
    damage: tuple[Damage, ...]
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
    """What is left of a store. `address` is where it begins in the image's own addresses. `may_be_older`: nothing says
    what stood in some of the damage, so any file may be older than it was."""

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


def explanation_of(found: Explained) -> Explanation:
    """All that was found out."""
    image, files = found.image, found.files
    return Explanation(
        image=image.path, address=image.address, block_bytes=image.record.block_bytes, mounts=not found.refusal,
        why_not=found.refusal, damaged=found.damaged, may_be_older=found.untold, missing=tuple(image.missing),
        names_lost=files.claims_lost, blocks=tuple(map(_block, found.blocks)),
        files=tuple(map(_file, [*files.named, *files.nameless])),
    )  # fmt: skip


def _block(block: BlockLeft) -> BlockExplained:
    lost = tuple(map(_frame, block.lost))
    return BlockExplained(block.number, block.state, len(block.frames), tuple(block.damage), lost)


def _frame(lost: Left) -> FrameLost:
    return FrameLost(Kind(lost.kind).name, lost.file, lost.offset, lost.length)


def _file(file: FileLeft) -> FileExplained:
    return FileExplained(file.number, file.name, file.size_bytes, tuple(file.lost()))
