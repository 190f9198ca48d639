"""Everything that a mounted store holds in RAM, in one place. The code that acts on it is beside it."""

from __future__ import annotations

from dataclasses import dataclass
from types import NoneType

from sortedcontainers import SortedDict

from simfs.flash import NorFlash
from simfs.store.format.codec import NUMBER_MAX
from simfs.store.format.config import StoreConfig
from simfs.store.format.layout import layout_of
from simfs.store.format.statement import Settings
from simfs.store.log.frame_reader import Reader
from simfs.store.log.heads import Log
from simfs.store.log.segments import Segments
from simfs.store.tables.blocks import BlockTable
from simfs.store.tables.claims import Claims
from simfs.store.tables.meters import Meters
from simfs.store.tables.spans import FileNode, Index
from simfs.store.tables.wear_order import Ranking


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something at `address` that a mount can't read, for example after a power cut. If an interrupted program spoils
    only what it programs, no acknowledged byte was in it; on a part that spoils more, some may have been."""

    address: int
    what: str


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes of the flash, from `begin` up to `end`, that are not what the store wrote, or something that it wrote and
    that is not there. `names`: files that lack bytes for sure; `maybe`: files that may be older or shorter than they
    were, or are there again. Not `certain`: chips that fail and cuts together might leave the same, so a mount to write
    goes on with it."""

    begin: int
    end: int
    what: str
    names: tuple[str, ...] = ()
    maybe: tuple[str, ...] = ()
    certain: bool = True


@dataclass(frozen=True, slots=True)
class Finding:
    """A damage as a mount finds it, before it looks for the files that it may have touched: those with these numbers,
    or where `files` is None, any with a frame older than sequence number `before`. What is lost is no newer."""

    begin: int
    end: int
    what: str
    names: tuple[str, ...] = ()
    certain: bool = True
    files: frozenset[int] | None = None
    before: int = NUMBER_MAX


_UNCHANGING, _GROWING = frozenset((int, bool, NoneType)), frozenset((list, dict, set, Ranking))


class StoreState:
    """`nodes` has the files by number, removed ones that are still open included; `files` the named ones by their
    key."""

    def __init__(self, flash: NorFlash, config: StoreConfig, settings: Settings) -> None:
        self.flash = flash
        self.config = config
        self.layout = layout_of(flash.geometry, config)
        self.blocks = BlockTable(
            flash.geometry.block_count, flash.geometry.block_bytes, self.layout.block_room, self.layout.capacity
        )
        self.meters = Meters()
        self.claims = Claims(self.layout, self.blocks, config.fold_case)
        self.log = Log(flash, self.layout, self.blocks, config.log_heads)
        self.segments = Segments(self.log, settings, self.claims, self.meters)
        self.reader = Reader(flash, self.layout, self.blocks)
        self.index = Index(self.layout, self.blocks)
        self.nodes: dict[int, FileNode] = {}
        self.files: SortedDict[bytes, FileNode] = SortedDict()
        self.doubts: list[Doubt] = []
        self.damages: list[Finding] = []
        self.next_number = 1
        self.reserved = 0  # room promised to bytes that wait in buffers

    def twin(self, flash: NorFlash) -> StoreState:
        """Another one like this, of a flash with the same bytes. For a state that nobody has worked with yet."""
        twin = StoreState(flash, self.config, self.segments.settings)
        pairs = (
            (self, twin), (self.blocks, twin.blocks), (self.claims, twin.claims), (self.log, twin.log),
            (self.segments, twin.segments),
        )  # fmt: skip
        for own, other in pairs:
            held = vars(other)
            for name, value in vars(own).items():  # other attributes link the parts of a state
                kind = type(value)
                if kind in _UNCHANGING:
                    held[name] = value
                elif kind in _GROWING:
                    held[name] = kind(value)
        twin.log.heads = [head and head.twin() for head in self.log.heads]
        twin.nodes = {number: node.twin() for number, node in self.nodes.items()}
        twin.files.update({key: twin.nodes[node.number] for key, node in self.files.items()})
        return twin

    def move_name(self, node: FileNode, place: int) -> None:
        """The file's live NAME (or RENAME) now stands at `place`; 0: nowhere."""
        assert node.name is not None
        cost = self.claims.cost(node.name)
        if node.name_place:
            self.blocks.charge(node.name_place, -cost)
        if place:
            self.blocks.charge(place, cost)
        node.name_place = place

    @property
    def committed(self) -> int:
        """Room taken: live frames, the promised removals, and bytes that wait in buffers."""
        return self.blocks.live_total + self.claims.promised + self.reserved
