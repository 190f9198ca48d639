"""Cuts the power in sector writes of a run on a card: just before the write, and within it, when the sector can't be
read afterwards."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field

from simfs.fat.card.card import Card
from simfs.fat.checking.check import check
from simfs.fat.checking.mend import mend
from simfs.fat.format.layout import Layout, read_layout
from simfs.flash.rng import Rng
from simfs.study.card_cuts.notes import CardHistory, Done
from simfs.study.card_cuts.views import View, lost_bytes, view_of

HITS = ("data", "table, copy 1", "table, copy 2", "directory", "hints")
LOST_AND_KEPT = "/LOST"

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class CutState:
    """One state, and what is in it. `lost` is what the firmware does not find of what was acknowledged, in bytes by
    file; `after` the same when the card was mended; `kept_bytes` are in files for what belonged to nobody."""

    write: int
    sector: int
    torn: bool
    hit: str
    done: Done
    faults: tuple[str, ...]
    lost: dict[str, int]
    after: dict[str, int]
    kept_bytes: int
    left: tuple[str, ...]  # what mending did not mend


@dataclass(slots=True)
class Hit:
    """All states in which the cut came before a write of one kind of sector, or within it."""

    states: int = 0
    sound: int = 0
    to_mend: int = 0
    losing: int = 0
    losing_after: int = 0
    lost_bytes_max: int = 0
    lost_bytes_max_after: int = 0


@dataclass(slots=True)
class CardCampaign:
    """What all cuts gave: by the kind of sector and whether it was torn; how many states had each kind of fault; the
    worst state as it was found, and once it is mended."""

    hits: dict[tuple[str, bool], Hit] = field(default_factory=dict)
    faults: Counter[str] = field(default_factory=Counter)
    states: int = 0
    not_mended: list[CutState] = field(default_factory=list)
    worst: CutState | None = None
    worst_after: CutState | None = None

    def take(self, state: CutState) -> None:
        """Count one state."""
        hit = self.hits.setdefault((state.hit, state.torn), Hit())
        lost, after = sum(state.lost.values()), sum(state.after.values())
        self.states += 1
        hit.states += 1
        hit.sound += not state.faults and not lost
        hit.to_mend += bool(state.faults) and not lost
        hit.losing += lost > 0
        hit.losing_after += after > 0
        hit.lost_bytes_max = max(hit.lost_bytes_max, lost)
        hit.lost_bytes_max_after = max(hit.lost_bytes_max_after, after)
        self.faults.update(set(state.faults))
        if state.left:
            self.not_mended.append(state)
        if lost > (sum(self.worst.lost.values()) if self.worst else 0):
            self.worst = state
        if after > (sum(self.worst_after.after.values()) if self.worst_after else 0):
            self.worst_after = state


def campaign(history: CardHistory, places: Collection[int], progress: Progress | None = None) -> CardCampaign:
    """Cut at these sector writes, each before it and within it."""
    result = CardCampaign()
    for state in states(history, places):
        result.take(state)
        if progress is not None and result.states % 16 == 0:
            progress(result.states, 2 * len(places))
    return result


def places_of(history: CardHistory, sample: int | None, seed: int) -> list[int]:
    """All sector writes, or so many of them drawn at random; up to a quarter are of the table and of hints."""
    count = len(history.writes)
    if sample is None or sample >= count:
        return list(range(count))
    root_start = read_layout(history.start.look, history.start.sector_count).root_start
    rare = [number for number, (sector, _) in enumerate(history.writes) if sector < root_start]
    rng, drawn = Rng(seed, "card cuts"), set[int]()
    for _ in range(min(len(rare), sample // 4)):
        drawn.add(rare.pop(rng.below(len(rare))))
    while len(drawn) < sample:
        drawn.add(rng.below(count))
    return sorted(drawn)


def states(history: CardHistory, places: Collection[int]) -> Iterator[CutState]:
    """Every state, in the order of the run."""
    wanted, card = set(places), history.start.copy()
    walk = _Walk(history, card)
    for done in history.operations:
        inside = [number for number in range(done.begin, done.end) if number in wanted]
        if inside:
            yield from walk.cuts_in(done, inside)
        else:
            walk.skip(done)


class _Walk:
    """Goes through the run once, with the card as it is before each operation."""

    def __init__(self, history: CardHistory, card: Card) -> None:
        self._history, self._card = history, card
        self._layout = read_layout(card.look, card.sector_count)
        self._before = view_of(card, history.config, View(), ())
        self._touched: set[int] = set()  # since `_before` was looked at

    def skip(self, done: Done) -> None:
        for sector, data in self._history.writes[done.begin : done.end]:
            self._card.write(sector, data)
            self._touched.add(sector)

    def cuts_in(self, done: Done, inside: list[int]) -> Iterator[CutState]:
        """The states of the cuts in one operation; afterwards the card is as behind it."""
        if self._touched:
            self._before = view_of(self._card, self._history.config, self._before, self._touched)
            self._touched = set()
        whole = self._card.copy()
        for sector, data in self._history.writes[done.begin : done.end]:
            whole.write(sector, data)
            self._touched.add(sector)
        after = view_of(whole, self._history.config, self._before, self._touched)
        for number in range(done.begin, done.end):
            sector, data = self._history.writes[number]
            if number in inside:
                yield self._judged(done, number, after, torn=False)
                yield self._judged(done, number, after, torn=True)
            self._card.write(sector, data)
        self._before, self._touched = after, set()

    def _judged(self, done: Done, number: int, after: View, *, torn: bool) -> CutState:
        sector, _ = self._history.writes[number]
        card, config = self._card.copy(), self._history.config
        if torn:
            card.unreadable.add(sector)
        touched = {at for at, _ in self._history.writes[done.begin : number]} | ({sector} if torn else set())
        found = view_of(card, config, self._before, touched, after.files)
        lost = lost_bytes(self._before.files, after.files, found)
        hit = self._hit(sector, self._before.directories | after.directories)
        faults = tuple(fault.kind for fault in found.faults)
        mended, left, kept_bytes = found, tuple[str, ...](), 0
        if faults:
            mend(card)
            mended = view_of(card, config, self._before, touched, after.files)
            left = tuple(fault.kind for fault in check(card))
            kept_bytes = sum(len(data or b"") for path, data in mended.files.items() if path.startswith(LOST_AND_KEPT))
        still = lost_bytes(self._before.files, after.files, mended) if faults else lost
        return CutState(number, sector, torn, hit, done, faults, lost, still, kept_bytes, left)

    def _hit(self, sector: int, directories: set[int]) -> str:
        return hit_of(self._layout, sector, directories)


def hit_of(layout: Layout, sector: int, directories: Collection[int]) -> str:
    """What a sector holds."""
    for number, start in enumerate(layout.table_starts[:2], 1):
        if start <= sector < start + layout.table_sectors:
            return f"table, copy {number}"
    if sector == layout.info_sector and sector:
        return "hints"
    return "directory" if sector in directories else "data"
