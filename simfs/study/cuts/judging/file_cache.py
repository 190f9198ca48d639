"""Reads the files of many stores that differ little, each stretch of equal bytes once.

The bytes of a span follow from the bytes of its frames and the salt of their block alone. So a span in the same place
with the same bytes below it is not read again.
"""

from __future__ import annotations

from typing import NamedTuple, cast

from simfs.files import Store
from simfs.files.names import NameRule
from simfs.flash import NorFlash
from simfs.store.log.frame_reader import Reader
from simfs.store.log.state import StoreState
from simfs.store.tables.spans import FileNode
from simfs.study.cuts.notes.history import Contents
from simfs.study.cuts.notes.noted_flash import NotedFlash

KEPT = 2048

Span = tuple[int, int, int, int, int]  # file, place, from, to, salt


class _Known(NamedTuple):
    """What was read once, and what it follows from: cells from an address on, and the salt of their block."""

    data: bytes
    address: int
    cells: bytes
    block: int
    salt: int


class Reading:
    """Reads all files of a store. CorruptStore if one is damaged, as the store itself raises it."""

    def __init__(self) -> None:
        self._spans: dict[Span, _Known] = {}
        self._files: dict[tuple[int, int, tuple[int, ...]], tuple[bytes, list[_Known]]] = {}

    def contents(self, store: Store) -> Contents:
        """Every file by its name; nothing may wait in a buffer. Costs a comparison of the bytes of each span that was
        read before, and for others what reading costs."""
        state = store.volume.state
        return {NameRule.decode(node.name): self._file(state, node) for node in state.files.values()}

    def _file(self, state: StoreState, node: FileNode) -> bytes:
        flash, salts = state.flash, state.blocks.salt
        assert isinstance(flash, NotedFlash)
        key = (node.number, node.size, (*node.starts, *node.places))
        data, spans = self._files.get(key, (b"", []))
        if spans and all(
            salts[known.block] == known.salt and flash.holds(known.cells, known.address) for known in spans
        ):
            return data
        spans = [self._span(state, flash, node.number, *piece) for piece in state.index.pieces(node, 0, node.size)]
        data = b"".join([known.data for known in spans])
        if len(self._files) >= KEPT:
            self._files.clear()
        self._files[key] = (data, spans)
        return data

    def _span(self, state: StoreState, flash: NotedFlash, file: int, start: int, stop: int, place: int) -> _Known:
        block = abs(place) // state.layout.block_bytes
        salt = state.blocks.salt[block]
        if place < 0:
            return _Known(bytes(stop - start), 0, b"", block, salt)
        key = (file, place, start, stop, salt)
        known = self._spans.get(key)
        if known is None or not flash.holds(known.cells, known.address):
            heard = _Heard(flash)
            data = Reader(cast("NorFlash", heard), state.layout, state.blocks).span(file, place, start, stop)
            known = _Known(data, heard.start, flash.read(heard.start, heard.end - heard.start), block, salt)
            if len(self._spans) >= KEPT:
                self._spans.clear()
            self._spans[key] = known
        return known


class _Heard:
    """Reads a flash, and notes which of its bytes the answer follows from."""

    def __init__(self, flash: NorFlash) -> None:
        self._flash = flash
        self.start, self.end = flash.geometry.size_bytes, 0
        self.reads = self.read_bytes = 0

    def window(self, address: int, end: int) -> None:
        """Each read is heard by itself."""

    def late_at(self, address: int) -> None:
        """So is each late byte."""

    def read(self, address: int, length: int) -> bytes:
        self.start, self.end = min(self.start, address), max(self.end, address + length)
        return self._flash.read(address, length)

    def blank(self, address: int, length: int) -> bool:
        self.start, self.end = min(self.start, address), max(self.end, address + length)
        return self._flash.blank(address, length)
