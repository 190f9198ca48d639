"""Lets the power fail, or the card go, in the writes of a run on flash and card, and sees what is left."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.checking.check import check
from simfs.fat.checking.mend import mend
from simfs.files.both.absences import Absences
from simfs.files.both.pair import Pair
from simfs.flash import NorFlash
from simfs.flash.faults import PowerCut
from simfs.flash.rng import Rng
from simfs.study.both_cuts.calls import BothHistory, Deed, do
from simfs.study.both_cuts.failing import NEVER, CardGate, Supply
from simfs.study.card_cuts.views import View, lost_bytes

Progress = Callable[[int, int], None]
Contents = dict[str, bytes | None]

POWER_IN_FLASH, POWER_IN_CARD, CARD_OUT = "power: flash write", "power: card write", "card: card write"
EVENTS = (POWER_IN_FLASH, POWER_IN_CARD, CARD_OUT)


@dataclass(frozen=True, slots=True)
class Place:
    """A change of the run: which operation, whether of the flash or the card, and its number there."""

    deed: int
    on_card: bool
    number: int


@dataclass(frozen=True, slots=True)
class BothState:
    """What one event left, once the firmware has started again and brought to the card what waited. `within`: the event
    came in the middle of the write. `lost` is what is nowhere any more of what was acknowledged before the operation,
    in bytes by file; `after` the same once the card is mended; `repeated_bytes` are there twice; `faults` is what a
    check of the card finds."""

    event: str
    within: bool
    place: Place
    deed: Deed
    lost: dict[str, int]
    after: dict[str, int]
    repeated_bytes: int
    faults: tuple[str, ...]


@dataclass(slots=True)
class Tally:
    """States of one event, before a write or within it."""

    states: int = 0
    sound: int = 0
    to_mend: int = 0
    losing: int = 0
    lost_bytes_max: int = 0
    losing_after: int = 0
    lost_bytes_max_after: int = 0
    repeating: int = 0

    def take(self, state: BothState) -> None:
        """Count one state."""
        lost, after = sum(state.lost.values()), sum(state.after.values())
        self.states += 1
        self.sound += not lost and not state.faults and not state.repeated_bytes
        self.to_mend += bool(state.faults)
        self.losing += lost > 0
        self.lost_bytes_max = max(self.lost_bytes_max, lost)
        self.losing_after += after > 0
        self.lost_bytes_max_after = max(self.lost_bytes_max_after, after)
        self.repeating += state.repeated_bytes > 0


@dataclass(slots=True)
class BothCampaign:
    """What all events gave, and the state that loses the most once the card is mended."""

    tallies: dict[tuple[str, bool], Tally] = field(default_factory=dict)
    faults: Counter[str] = field(default_factory=Counter)
    places: int = 0
    worst: BothState | None = None

    def take(self, state: BothState) -> None:
        """Count one state."""
        self.tallies.setdefault((state.event, state.within), Tally()).take(state)
        self.faults.update(set(state.faults))
        if sum(state.after.values()) > (sum(self.worst.after.values()) if self.worst else 0):
            self.worst = state


def places_of(history: BothHistory, sample: int | None, seed: int) -> tuple[int, list[Place]]:
    """How many changes the run makes, and all of them, or so many drawn at random: half of them of each medium."""
    found: tuple[list[Place], list[Place]] = ([], [])
    pair, supply, gate = _instance(history.start, history.start.slot.absences)
    for number, deed in enumerate(history.deeds):
        changes, sectors = supply.changes, len(gate.sectors)
        pair = do(deed, pair)
        found[0].extend(Place(number, False, at) for at in range(supply.changes - changes))
        found[1].extend(Place(number, True, at) for at in range(len(gate.sectors) - sectors))
    count = len(found[0]) + len(found[1])
    if sample is None or sample >= count:
        return count, [*found[0], *found[1]]
    rng, drawn = Rng(seed, "cuts on both"), list[Place]()
    for wanted, places in zip((sample - sample // 2, sample // 2), found, strict=True):
        for _ in range(min(wanted, len(places))):
            drawn.append(places.pop(rng.below(len(places))))
    return count, drawn


def campaign(history: BothHistory, places: Sequence[Place], progress: Progress | None = None) -> BothCampaign:
    """Let it happen at these places."""
    result = BothCampaign(places=len(places))
    total = sum(4 if place.on_card else 2 for place in places)
    for count, state in enumerate(states(history, places), 1):
        result.take(state)
        if progress is not None:
            progress(count, total)
    return result


def states(history: BothHistory, places: Sequence[Place]) -> Iterator[BothState]:
    """Every state, in the order of the run."""
    wanted: dict[int, list[Place]] = {}
    for place in places:
        wanted.setdefault(place.deed, []).append(place)
    pair, _, _ = _instance(history.start, history.start.slot.absences)
    for number, deed in enumerate(history.deeds):
        for place in sorted(wanted.get(number, ()), key=lambda place: (place.on_card, place.number)):
            yield from _states_at(place, deed, pair)
        pair = do(deed, pair)


def _states_at(place: Place, deed: Deed, pair: Pair) -> Iterator[BothState]:
    before, _, _ = _instance(pair, Absences())
    before.begin(deed.at_ns)
    old = _contents(before, before.names())
    after, _, _ = _instance(pair, Absences())
    after = do(deed, after)
    new = _contents(after, after.names())
    for within in (False, True):
        for look in (_after_power, _after_pull) if place.on_card else (_after_power,):
            state = look(place, deed, pair, within, old, new)
            if state is not None:
                yield state


def _after_power(place: Place, deed: Deed, pair: Pair, within: bool, old: Contents, new: Contents) -> BothState | None:
    """None where the copy, which was just mounted, has less to write than the run had."""
    cut, supply, gate = _instance(pair, Absences(), place.number if place.on_card else NEVER, within=within)
    if not place.on_card:
        supply.fail_in(place.number, within=within)
    with suppress(PowerCut):
        cut = do(deed, cut)
    gate.open()
    if not supply.is_off:
        return None
    cut.flash.flash.power_on()
    found = _started(cut, deed, old, new)
    lost, repeated = _lost(old, new, found), _repeated(old, new, found)
    faults = tuple(fault.kind for fault in check(cut.slot.card.copy()))
    after = lost
    if faults:
        mend(cut.slot.card)
        mended = _started(cut, deed, old, new)
        after, repeated = _lost(old, new, mended), max(repeated, _repeated(old, new, mended))
    event = POWER_IN_CARD if place.on_card else POWER_IN_FLASH
    return BothState(event, within, place, deed, lost, after, repeated, faults)


def _after_pull(place: Place, deed: Deed, pair: Pair, within: bool, old: Contents, new: Contents) -> BothState | None:
    """The firmware goes on without the card; it comes back mended. None as above."""
    pulled, _, gate = _instance(pair, Absences(), place.number, within=within, pulls=True)
    pulled = do(deed, pulled)
    gate.open()
    if gate.sector < 0:
        return None
    faults = tuple(fault.kind for fault in check(pulled.slot.card.copy()))
    pulled.begin(deed.at_ns + 1)
    _bring_all(pulled)
    found = _contents(pulled, {*old, *new, *pulled.names()})
    lost = _lost(old, new, found)
    return BothState(CARD_OUT, within, place, deed, lost, lost, _repeated(old, new, found), faults)


def _instance(
    pair: Pair, absences: Absences, at: int = NEVER, *, within: bool = False, pulls: bool = False
) -> tuple[Pair, Supply, CardGate]:
    """A copy of the store with a supply that may fail, and a gate before the card that fails at a sector write."""
    supply, flash = Supply(), pair.flash.flash
    size, page = flash.geometry.block_bytes, flash.geometry.page_bytes
    copy = pair.copy(NorFlash.from_image(flash.image(), size, page, flash.datasheet, faults=supply), absences)
    return copy, supply, CardGate(copy.slot, supply, at, within=within, pulls=pulls)


def _started(pair: Pair, deed: Deed, old: Contents, new: Contents) -> Contents:
    """What a firmware finds that has started again and brought to the card what waited."""
    again = pair.boot()
    assert isinstance(again, Pair)
    again.begin(deed.at_ns + 1)
    _bring_all(again)
    names = {*old, *new}
    with suppress(OSError):  # a directory that can't be read
        names.update(again.names())
    return _contents(again, names)


def _bring_all(pair: Pair) -> None:
    for name in pair.waiting():
        pair.bring(name)


def _contents(pair: Pair, names: object) -> Contents:
    """The files as the firmware reads them; None for one that it can't read at all."""
    assert isinstance(names, list | set)
    return {name: _read(pair, name) for name in sorted(names) if not name.startswith("/LOST")}


def _read(pair: Pair, name: str) -> bytes | None:
    parts: list[bytes] = []
    try:
        with pair.open(name) as file:
            while True:
                try:
                    part = file.read(SECTOR_BYTES) or b""
                except OSError:
                    part = b"\xa5\x5a" * (SECTOR_BYTES // 2)
                    file.seek(SECTOR_BYTES, 1)
                if not part:
                    return b"".join(parts)
                parts.append(part)
    except OSError:
        return None


def _lost(old: Contents, new: Contents, found: Contents) -> dict[str, int]:
    return lost_bytes(old, new, View(files={name: data for name, data in found.items() if data is not None}))


def _repeated(old: Contents, new: Contents, found: Contents) -> int:
    """Bytes that files have beyond what they should have at most. One that has lost something is not asked."""
    beyond, losing = 0, _lost(old, new, found)
    for name, data in found.items():
        if name in losing:
            continue
        most = max(len(new.get(name) or b""), len(old.get(name) or b""))
        beyond += max(0, len(data or b"") - most)
    return beyond
