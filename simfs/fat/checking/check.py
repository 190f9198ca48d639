"""What is wrong with the volume on a card. Reads the table and every directory, and never writes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from simfs.fat.card.card import BLANK, Card, Unreadable
from simfs.fat.format.entries import STANDS_FOR_E5, Short, Slot, slots_of
from simfs.fat.format.errors import BadVolume
from simfs.fat.format.layout import ENTRY_BYTES, Layout, read_hints, read_layout
from simfs.fat.format.listing import DOTS, NOBODY, Entry, Place, listed
from simfs.fat.format.names import SHORT_LEGAL, folded, short_text
from simfs.fat.format.table_entries import unpacked

DEPTH_MAX = 100
DIRECTORY_SECTORS_MAX = 4096
DIRTY_BITS = {16: 0xC000, 32: 0x0C000000}  # of the table's second entry: set where all is well


class Fault(NamedTuple):
    """One thing that is wrong: its kind in a word or two, where, and what is there."""

    kind: str
    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"


@dataclass(slots=True)
class Found:
    """A file or directory: its path, its entry, the clusters of its chain that are its own, how that ends ("" as it
    should, else why not), and the first cluster of the directory that it is in."""

    path: str
    entry: Entry
    chain: list[int]
    broken: str
    parent: int


@dataclass(slots=True)
class Survey:
    """A volume as a check sees it. `table` has every entry, each sector of it from the first copy that can be read;
    `owner` says who has a cluster."""

    card: Card
    layout: Layout
    table: list[int]
    faults: list[Fault] = field(default_factory=list)
    found: list[Found] = field(default_factory=list)
    owner: dict[int, str] = field(default_factory=dict)
    torn: list[int] = field(default_factory=list)  # sectors of directories that can't be read
    strays: list[Place] = field(default_factory=list)  # pieces of names that belong to nobody

    def note(self, kind: str, where: str, what: str) -> None:
        self.faults.append(Fault(kind, where, what))

    def lost_chains(self) -> list[list[int]]:
        """Chains that are taken, and belong to no file."""
        layout = self.layout
        lost = {
            cluster
            for cluster, entry in enumerate(self.table)
            if entry and cluster not in self.owner and entry != layout.bad and cluster > 1
        }
        pointed_at = {self.table[cluster] for cluster in lost}
        chains: list[list[int]] = []
        for head in [*sorted(lost - pointed_at), *sorted(lost & pointed_at)]:
            chain: list[int] = []
            while head in lost:
                lost.remove(head)
                chain.append(head)
                head = self.table[head]
            if chain:
                chains.append(chain)
        return chains


def check(card: Card) -> list[Fault]:
    """Every fault; none where the volume is sound."""
    try:
        return survey(card).faults
    except (BadVolume, Unreadable) as error:
        return [Fault("no volume", "the card", str(error.strerror))]


def survey(card: Card) -> Survey:
    """Look at everything. BadVolume, Unreadable where there is no volume to look at."""
    layout = read_layout(card.look, card.sector_count)
    copies = [_table_copy(card, layout, start) for start in layout.table_starts]
    whole = b"".join(next((data for data in each if data), BLANK) for each in zip(*copies, strict=True))
    entries = list(unpacked(whole, layout.bits)[: layout.last_cluster + 1])
    seen = Survey(card, layout, entries)
    _judge_copies(seen, copies)
    _judge_marks(seen)
    _walk(seen)
    for chain in seen.lost_chains():
        seen.note("lost chain", f"cluster {chain[0]:,}", f"{len(chain):,} clusters are taken and belong to no file")
    _judge_hints(seen)
    return seen


def _table_copy(card: Card, layout: Layout, start: int) -> list[bytes | None]:
    """The sectors of a copy; None for one that can't be read."""
    sectors: list[bytes | None] = []
    for sector in range(start, start + layout.table_sectors):
        try:
            sectors.append(card.look(sector))
        except Unreadable:
            sectors.append(None)
    return sectors


def _judge_copies(seen: Survey, copies: list[list[bytes | None]]) -> None:
    for number, (start, copy) in enumerate(zip(seen.layout.table_starts, copies, strict=True), 1):
        for at in (at for at, data in enumerate(copy) if data is None):
            what = f"the card can't read it; it is of copy {number} of the table"
            seen.note("unreadable", f"sector {start + at:,}", what)
    for number, copy in enumerate(copies[1:], 2):
        differing = sum(one != other and None not in (one, other) for one, other in zip(copies[0], copy, strict=True))
        if differing:
            sectors = f"{differing:,} sectors" if differing > 1 else "1 sector"
            seen.note("copies differ", "the table", f"copy {number} differs from copy 1 in {sectors}")


def _judge_marks(seen: Survey) -> None:
    layout = seen.layout
    boot = seen.card.look(layout.start)
    clean = DIRTY_BITS.get(layout.bits, 0)
    if boot[65 if layout.bits == 32 else 37] & 1 or seen.table[1] & clean != clean:
        seen.note("dirty mark", "the volume", "it says itself that it was not closed properly")
    if layout.backup_sector:
        try:
            same = seen.card.look(layout.backup_sector)[:90] == boot[:90]
        except Unreadable:
            same = False
        if not same:
            seen.note("backup differs", f"sector {layout.backup_sector:,}", "the backup of the boot sector differs")


def _judge_hints(seen: Survey) -> None:
    layout = seen.layout
    if not layout.info_sector:
        return
    where = f"sector {layout.info_sector:,}"
    try:
        free, _ = read_hints(seen.card.look(layout.info_sector), layout)
    except Unreadable:
        seen.note("unreadable", where, "the card can't read it; it has the hints")
        return
    true = sum(not entry for entry in seen.table[2:])
    if free is not None and free != true:
        seen.note("free count", where, f"it says that {free:,} clusters are free, and {true:,} are")


def _walk(seen: Survey) -> None:
    """Every directory, from the root on."""
    layout = seen.layout
    if layout.root_cluster:
        chain, broken = _own_chain(seen, layout.root_cluster, "/")
        if broken:
            seen.note("chain", "/", broken)
        sectors = [sector for cluster in chain for sector in _sectors(layout, cluster)]
    else:
        sectors = list(range(layout.root_start, layout.root_start + layout.root_sectors))
    waiting = [("", 0, sectors)]
    while waiting:
        path, own, sectors = waiting.pop()
        slots = list(_slots(seen, path or "/", sectors))
        waiting += _judge_directory(seen, path, own, slots)


def _judge_directory(
    seen: Survey, path: str, own: int, slots: list[tuple[Place, Slot]]
) -> Iterator[tuple[str, int, list[int]]]:
    """The entries of one directory; gives those that are directories."""
    names: set[str] = set()
    for entry in listed(slots):
        seen.strays += entry.strays
        if entry.strays:
            seen.note("stray name", path or "/", f"{len(entry.strays)} pieces of a long name belong to nobody")
        if entry.short is NOBODY:
            continue
        at = f"{path}/{entry.name}"
        both = {folded(entry.name), folded(short_text(entry.short.name))}
        if both & names:
            seen.note("same name", at, "another entry of this directory has this name")
        names |= both
        _judge_short_name(seen, at, entry.short)
        chain, broken = _own_chain(seen, entry.short.first, at) if entry.short.first else ([], "")
        seen.found.append(Found(at, entry, chain, broken, own))
        if broken:
            seen.note("chain", at, broken)
        if not entry.short.is_directory:
            _judge_size(seen, at, entry.short, len(chain), broken)
        elif not chain:
            seen.note("no directory", at, broken or "a directory that begins nowhere")
        elif at.count("/") > DEPTH_MAX or len(chain) * seen.layout.sectors_per_cluster > DIRECTORY_SECTORS_MAX:
            seen.note("no directory", at, "it lies too deep, or is too large")
        else:
            sectors = [sector for cluster in chain for sector in _sectors(seen.layout, cluster)]
            _judge_dots(seen, at, sectors[0], entry.short.first, own)
            yield at, entry.short.first, sectors


def _own_chain(seen: Survey, first: int, path: str) -> tuple[list[int], str]:
    """The clusters of a chain up to where it breaks, and how it does."""
    chain: list[int] = []
    cluster, layout = first, seen.layout
    while True:
        if not 2 <= cluster <= layout.last_cluster:
            kind = "is marked as bad" if cluster == layout.bad else "is not there"
            return chain, f"its chain leads to cluster {cluster:,}, which {kind}"
        owner = seen.owner.get(cluster)
        if owner is not None:
            what = "goes round in a circle" if owner == path else f"runs into {owner}"
            return chain, f"its chain {what} at cluster {cluster:,}"
        if not seen.table[cluster]:
            return chain, f"its chain leads to cluster {cluster:,}, which is free"
        seen.owner[cluster] = path
        chain.append(cluster)
        cluster = seen.table[cluster]
        if cluster >= layout.end_least:
            return chain, ""


def _judge_size(seen: Survey, path: str, short: Short, clusters: int, broken: str) -> None:
    needed = -(-short.size // seen.layout.cluster_bytes)
    if clusters < needed:
        room = clusters * seen.layout.cluster_bytes
        seen.note("size", path, f"its size is {short.size:,} B, and its clusters hold {room:,} B")
    elif clusters > needed and not broken:
        seen.note("chain too long", path, f"it has {clusters:,} clusters, and its size needs {needed:,}")


def _judge_short_name(seen: Survey, path: str, short: Short) -> None:
    letters = short.name.removeprefix(bytes([STANDS_FOR_E5])).decode("latin-1").replace(" ", "")
    if short.name[0] == 0x20 or any(letter < "\x80" and letter not in SHORT_LEGAL for letter in letters):
        seen.note("bad name", path, "its short name has a character that none may have")


def _judge_dots(seen: Survey, path: str, sector: int, own: int, parent: int) -> None:
    try:
        slots, _ = slots_of(seen.card.look(sector))
    except Unreadable:
        return
    first_two = [(slot.name, slot.first) for slot in slots[:2] if isinstance(slot, Short)]
    if first_two != [(DOTS[0], own), (DOTS[1], parent)]:
        seen.note("dots", path, "its first two entries do not lead to itself and to the directory above")


def _slots(seen: Survey, path: str, sectors: list[int]) -> Iterator[tuple[Place, Slot]]:
    for sector in sectors:
        try:
            slots, ends = slots_of(seen.card.look(sector))
        except Unreadable:
            seen.note("unreadable", f"sector {sector:,}", f"the card can't read it; it is of the directory {path}")
            seen.torn.append(sector)
            continue
        for number, slot in enumerate(slots):
            yield (sector, number * ENTRY_BYTES), slot
        if ends:
            return


def _sectors(layout: Layout, cluster: int) -> range:
    start = layout.first_sector(cluster)
    return range(start, start + layout.sectors_per_cluster)
