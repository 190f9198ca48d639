"""Power cuts in some work on a card, as parameters of a test: before each sector write, and within it, when the sector
can't be read any more."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from simfs.bridges.testing.after_cut import AfterCut, shown
from simfs.fat.card.card import Card
from simfs.files.card_store import CardStore
from simfs.files.heard import FileCall
from simfs.flash.rng import Rng
from simfs.study.cuts.notes.history import Contents

OF_FLASH = ("profile",)


@dataclass(frozen=True, slots=True)
class CardCut:
    """A cut after so many sector writes; `torn`: within the next one."""

    writes: int
    torn: bool

    def __str__(self) -> str:
        return f"{self.writes}:torn" if self.torn else str(self.writes)


class RecordedOnCard:
    """Recorded work, and the card as it was before."""

    def __init__(self, store: CardStore, work: Callable[[CardStore], object]) -> None:
        self._start, self._config = store.card.copy(), store.config
        self.writes: list[tuple[int, bytes]] = []
        self._calls: list[FileCall] = []
        self._reach: list[tuple[int, int]] = []  # of each call: where its sector writes begin and end
        store.card.heard = lambda sector, data: self.writes.append((sector, data))
        store.listen_to_calls(self)
        work(store)

    @contextmanager
    def call(self, call: FileCall) -> Iterator[None]:
        """A call is being made; sector writes meanwhile belong to it."""
        begin = len(self.writes)
        try:
            yield
        finally:
            self._calls.append(call)
            self._reach.append((begin, len(self.writes)))

    def after(self, cut: CardCut) -> AfterCut:
        """The store after the cut. Nothing is mended: this is what the device finds."""
        number = next((at for at, (begin, end) in enumerate(self._reach) if begin <= cut.writes < end), None)
        begin, end = (cut.writes, cut.writes + 1) if number is None else self._reach[number]
        during = "between file calls" if number is None else shown(self._calls, number)
        card = self._card_after(cut.writes)
        if cut.torn:
            card.unreadable.add(self.writes[cut.writes][0])
        states = [self._contents(self._card_after(writes)) for writes in range(begin, end + 1)]
        possible = [state for at, state in enumerate(states) if state not in states[:at]]
        return AfterCut(CardStore.mount(card, self._config), str(cut), during, states[0], tuple(possible))

    def _card_after(self, count: int) -> Card:
        card = self._start.copy()
        for sector, data in self.writes[:count]:
            card.write(sector, data)
        return card

    def _contents(self, card: Card) -> Contents:
        store, found = CardStore.mount(card, self._config, read_only=True), Contents()
        for name in store.names():
            with store.open(name) as file:
                found[name] = file.readall()
        return found


def recorded_on_card(store: CardStore, given: dict[str, Any], seed: int) -> tuple[RecordedOnCard, list[CardCut]]:
    """Record the work of the marker, and choose the cuts. ValueError."""
    if any(key in given for key in OF_FLASH):
        raise ValueError("profile is for flash; a card writes a sector whole, or it can't be read any more")
    every, sample = given.get("every"), given.get("sample")
    if every not in (None, "operation") or (every is not None and sample is not None):
        raise ValueError("on a card, give every='operation', or sample with a number of cuts")
    recorded = RecordedOnCard(store, given["work"])
    cuts = [CardCut(writes, torn) for writes in range(len(recorded.writes)) for torn in (False, True)]
    if not cuts:
        raise ValueError("work changes nothing on the card; there is nothing to cut")
    if sample is None:
        return recorded, cuts
    if not isinstance(sample, int) or sample < 1:
        raise ValueError("give either every, or sample with a number of cuts")
    rng = Rng(given.get("seed", seed), "card cuts of a test")
    return recorded, [cuts[at] for at in sorted({rng.below(len(cuts)) for _ in range(sample)})]
