"""Remembers what a mount read of each block, since the flashes of a campaign differ in few blocks."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.flash import NorFlash
from simfs.store.format.headers import Header, read_header
from simfs.store.format.layout import Layout
from simfs.store.format.runs import Entry
from simfs.store.log.state import StoreState
from simfs.store.mounting.block_reader import ClaimsFound, Content, Look
from simfs.study.cuts.notes.noted_flash import NotedFlash

KEPT = 6  # states of each block


@dataclass(slots=True, eq=False)
class _Known:
    """All bytes of a block, and what was read from them; `content` for this layout."""

    cells: bytes
    header: Header
    layout: Layout | None = None
    content: Content | None = None
    claims: ClaimsFound | None = None  # of the runs that its seal lists


class KnownBlocks(Look):
    """Reads a block again only if its bytes differ from all of its last few states. Contents and claims are those of
    the flash whose headers were asked for last."""

    def __init__(self, block_count: int) -> None:
        self._known: list[list[_Known]] = [[] for _ in range(block_count)]  # the latest first

    def headers(self, flash: NorFlash) -> list[Header]:
        """Costs a comparison of all bytes of the flash. Reads are counted for blocks that are not known."""
        assert isinstance(flash, NotedFlash)
        size, holds = flash.geometry.block_bytes, flash.holds
        headers = []
        for block, states in enumerate(self._known):
            if not (states and holds(states[0].cells, block * size)):
                self._turn_to(flash, block, states)
            headers.append(states[0].header)
        return headers

    def _turn_to(self, flash: NotedFlash, block: int, states: list[_Known]) -> None:
        """Put the state that the block is in before the others."""
        size = flash.geometry.block_bytes
        known = next((one for one in states if flash.holds(one.cells, block * size)), None)
        if known is None:
            known = _Known(flash.read(block * size, size), read_header(flash, block, size))
            del states[KEPT - 1 :]
        else:
            states.remove(known)
        states.insert(0, known)

    def content(self, state: StoreState, block: int) -> Content:
        known = self._known[block][0]
        if known.content is None or known.layout is not state.layout:
            known.content, known.claims, known.layout = super().content(state, block), None, state.layout
        return known.content

    def claims(self, state: StoreState, start: int, entries: list[Entry]) -> ClaimsFound:
        known = self._known[start // state.layout.block_bytes][0]
        if known.content is None or known.content[1] is not entries:
            return super().claims(state, start, entries)
        if known.claims is None:
            known.claims = super().claims(state, start, entries)
        return known.claims
