"""Remembers what a mount read of each block, since the flashes of a campaign differ in few blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from simfs.flash import NorFlash
from simfs.store.format.layout import Layout
from simfs.store.format.runs import Entry
from simfs.store.format.statement import Life, Statement
from simfs.store.log.block_scan import Scan
from simfs.store.log.state import StoreState
from simfs.store.mounting.block_reader import ClaimsFound, Content, Look, read_lives
from simfs.study.cuts.notes.noted_flash import NotedFlash

KEPT = 24  # states of each block: neighbouring cuts leave some of the same ones


@dataclass(slots=True, eq=False)
class _Known:
    """All bytes of a block, and what was read from them; all but `life` and `first` for this layout."""

    cells: bytes
    life: Life | None
    first: Statement | None = None  # while it was not asked for, or there is none
    layout: Layout | None = None
    content: Content | None = None
    scans: dict[int | None, Scan] = field(default_factory=dict)  # by the base that was given
    claims: tuple[int, Sequence[Entry], ClaimsFound] | None = None  # of the block with this salt and these runs

    def turn_to(self, layout: Layout) -> None:
        """Forget what was read for another layout."""
        if self.layout is not layout:
            self.layout, self.content, self.claims = layout, None, None
            self.scans.clear()


class KnownBlocks(Look):
    """Reads a block again only if its bytes differ from all of its last few states. All that it gives is that of the
    flash to which it was turned last."""

    def __init__(self, block_count: int) -> None:
        self._known: list[list[_Known]] = [[] for _ in range(block_count)]  # the latest first
        self._turned_to: NotedFlash | None = None

    def turn_to(self, flash: NorFlash) -> tuple[_Known, ...]:
        """What is known of each block of this flash, the same for the same bytes. Costs a comparison of all bytes of
        the flash, or of the blocks that have changed where it was the last one. Reads are counted for blocks that are
        not known."""
        assert isinstance(flash, NotedFlash)
        size, holds = flash.geometry.block_bytes, flash.holds
        is_last = flash.known_to is self and self._turned_to is flash
        for block in sorted(flash.touched) if is_last else range(len(self._known)):
            states = self._known[block]
            if not (states and holds(states[0].cells, block * size)):
                self._turn_to(flash, block, states)
        self._turned_to, flash.known_to, flash.touched = flash, self, set()
        return tuple([states[0] for states in self._known])

    def lives(self, flash: NorFlash) -> list[Life | None]:
        return [states[0].life for states in self._known]

    def first(self, flash: NorFlash, block: int) -> Statement | None:
        known = self._known[block][0]
        known.first = known.first or super().first(flash, block)
        return known.first

    def _turn_to(self, flash: NotedFlash, block: int, states: list[_Known]) -> None:
        """Put the state that the block is in before the others."""
        size = flash.geometry.block_bytes
        known = next((one for one in states if flash.holds(one.cells, block * size)), None)
        if known is None:
            known = _Known(flash.read(block * size, size), read_lives(flash, range(block, block + 1))[0])
            del states[KEPT - 1 :]
        else:
            states.remove(known)
        states.insert(0, known)

    def contents(self, flash: NorFlash, layout: Layout, blocks: Sequence[int]) -> list[Content]:
        return [self._content(flash, layout, block) for block in blocks]

    def _content(self, flash: NorFlash, layout: Layout, block: int) -> Content:
        known = self._known[block][0]
        known.turn_to(layout)
        if known.content is None:
            known.content = super().contents(flash, layout, (block,))[0]
        return known.content

    def scan(self, flash: NorFlash, layout: Layout, block: int, base: int | None) -> Scan:
        known = self._known[block][0]
        known.turn_to(layout)
        found = known.scans.get(base)
        if found is None:
            found = known.scans[base] = super().scan(flash, layout, block, base)
        return found

    def claims(self, state: StoreState, start: int, entries: Sequence[Entry]) -> ClaimsFound:
        block = start // state.layout.block_bytes
        known, salt = self._known[block][0], state.blocks.salt[block]
        known.turn_to(state.layout)
        if known.claims is None or known.claims[0] != salt or known.claims[1] != entries:
            known.claims = salt, entries, super().claims(state, start, entries)
        return known.claims[2]
